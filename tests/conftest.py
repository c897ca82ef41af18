"""Files that several test modules share."""

import pytest

from card_pages import NUMBERS, SHEETS, page_of
from sillwright.tell.cardsheet import PAPERS, write_calibration_pdf, write_cards_pdf


@pytest.fixture(scope="session")
def card_files(tmp_path_factory):
    """The six PDF files: by paper and one, two or sheet."""
    folder = tmp_path_factory.mktemp("pdf")
    found = {}
    for paper in PAPERS:
        for kind in ("one", "two", "sheet"):
            found[paper, kind] = folder / f"{kind}-{paper}.pdf"
        write_cards_pdf(found[paper, "one"], NUMBERS, paper, one_a_sheet=True)
        write_cards_pdf(found[paper, "two"], NUMBERS, paper)
        write_calibration_pdf(found[paper, "sheet"], paper)
    return found


@pytest.fixture(scope="session")
def card_pages(card_files):
    return {key: page_of(card_files, *key) for key in SHEETS}
