"""What the files of cards say and hold, and the command that writes them."""

import re

import cv2
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from card_pages import (
    CALIBRATION_FOLDER,
    NUMBERS,
    detect,
    page_of,
    rasterise,
    texts,
)
from sillwright.cards import CALIBRATION_SHEET, CARD_COUNT
from sillwright.cli.cards import cards
from sillwright.errors import JobError
from sillwright.tell.cardsheet import PAPERS, write_cards_pdf


def test_all_twenty_cards_together_carry_each_id_once(tmp_path):
    path = tmp_path / "all.pdf"
    write_cards_pdf(path, range(1, CARD_COUNT + 1), "a4")
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250))
    seen = [
        marker
        for page in range(1 + CARD_COUNT // 2)
        for marker in np.ravel(detector.detectMarkers(rasterise(path, page, dpi=72.0).grey)[1])
        if marker is not None  # the first page holds none
    ]
    assert sorted(seen) == list(range(240))


@given(numbers=st.lists(st.integers(1, CARD_COUNT), min_size=1, max_size=5, unique=True), paper=st.sampled_from(PAPERS))
@settings(max_examples=15, deadline=None)
def test_each_page_names_its_cards_in_the_order_asked_for(tmp_path_factory, numbers, paper):
    path = tmp_path_factory.mktemp("order") / "cards.pdf"
    names = [f"CARD {number}" for number in numbers]
    write_cards_pdf(path, numbers, paper, one_a_sheet=True)
    assert [text.split(" tick")[0] for text in texts(path)] == names
    write_cards_pdf(path, numbers, paper)
    _, *sheets = texts(path)
    assert [re.findall(r"CARD \d+", text) for text in sheets] == [names[i : i + 2] for i in range(0, len(names), 2)]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["one", "two", "sheet"])
def test_the_file_asks_the_viewer_not_to_scale_and_holds_no_picture(card_files, paper, kind):
    content = card_files[paper, kind].read_bytes()
    assert b"/PrintScaling /None" in content
    assert b"/Image" not in content.replace(b"/ImageB", b"").replace(b"/ImageC", b"").replace(b"/ImageI", b"")


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["one", "two"])
def test_the_first_page_tells_how_to_print_check_mend_and_lay_it(card_files, paper, kind):
    text = texts(card_files[paper, kind])[0]
    for words in ("100 %", "240 mm", "9 7/16 in", "9.449 in", "print again", 'check_length = "', 'thickness = "'):
        assert words in text
    for words in ("long side along the wall", "Cover no chalk line and no bolt", "upside down", "Numbers rise"):
        assert words in text
    assert "Never two cards with one number" in text


@pytest.mark.parametrize("paper", PAPERS)
def test_two_a_sheet_every_sheet_says_in_short_how_to_print_check_and_lay(card_files, paper):
    _, *sheets = texts(card_files[paper, "two"])
    assert len(sheets) == 2
    for text in sheets:
        for words in ("Print at 100 %", "240 mm = 9 7/16 in", "print again", "first page", "long side along the wall"):
            assert words in text
        assert "Never two cards with one number" in text


def test_inches_on_the_sheets_agree_with_the_millimetres():
    """1 in is 25.4 mm exactly (international yard and pound agreement, 1959)."""
    assert round(240.0 / 25.4, 3) == 9.449
    assert 0.0 < 240.0 - (9 + 7 / 16) * 25.4 < 0.4
    assert 0.0 < (9 + 15 / 16) * 25.4 - 252.0 < 0.8
    assert 0.0 < (6 + 5 / 8) * 25.4 - 168.0 < 0.8


@pytest.mark.parametrize(
    ("numbers", "named"), [((), "no cards"), ((3, 3), "twice"), ((0,), "card 0"), ((21,), "card 21")]
)
def test_cards_that_would_spoil_a_job_are_refused_and_the_old_file_kept(tmp_path, numbers, named):
    path = tmp_path / "cards.pdf"
    path.write_bytes(b"old")
    with pytest.raises(JobError, match=named):
        write_cards_pdf(path, numbers, "letter")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_the_same_cards_give_the_same_bytes(tmp_path, card_files):
    write_cards_pdf(tmp_path / "again.pdf", NUMBERS, "letter")
    assert (tmp_path / "again.pdf").read_bytes() == card_files["letter", "two"].read_bytes()


@pytest.mark.parametrize(("extra", "pages"), [([], 3), (["--one-a-sheet"], 4), (["--last", "3"], 3)])
def test_the_command_writes_four_letter_cards_two_to_a_sheet_unless_told_otherwise(tmp_path, extra, pages):
    path = tmp_path / "out" / "cards.pdf"
    result = CliRunner().invoke(cards, [*extra, "-o", str(path)])
    assert result.exit_code == 0, result.output
    assert len(pypdfium2.PdfDocument(path)) == pages
    assert rasterise(path, dpi=72.0).grey.shape == (612, 792)
    assert "100 %" in result.output
    assert ("one to a sheet" if extra == ["--one-a-sheet"] else "two to a sheet") in result.output


def test_the_command_writes_the_calibration_sheet(tmp_path):
    path = tmp_path / "sheet.pdf"
    result = CliRunner().invoke(cards, ["--calibration-sheet", "--paper", "A4", "-o", str(path)])
    assert result.exit_code == 0, result.output
    assert len(detect(rasterise(path), CALIBRATION_SHEET)[0]) == 40


@pytest.mark.parametrize("extra", [["--first", "3"], ["--last", "4"], ["--one-a-sheet"]])
def test_what_is_said_of_cards_is_refused_with_the_calibration_sheet(tmp_path, extra):
    result = CliRunner().invoke(cards, ["-o", str(tmp_path / "x.pdf"), "--calibration-sheet", *extra])
    assert result.exit_code == 2
    assert f"{extra[0]} is for cards" in result.output
    assert not (tmp_path / "x.pdf").exists()


@pytest.mark.parametrize("extra", [["--first", "5", "--last", "3"], ["--last", "21"], ["--paper", "a5"]])
def test_the_command_refuses_what_it_cannot_print(tmp_path, extra):
    result = CliRunner().invoke(cards, [*extra, "-o", str(tmp_path / "cards.pdf")])
    assert result.exit_code == 2
    assert not list(tmp_path.iterdir())


def test_the_command_says_where_it_could_not_write(tmp_path):
    (tmp_path / "blocked").write_text("a file, not a folder")
    result = CliRunner().invoke(cards, ["-o", str(tmp_path / "blocked" / "cards.pdf")])
    assert result.exit_code == 2
    assert "cannot be written" in result.output


@pytest.mark.parametrize("paper", PAPERS)
def test_the_calibration_sheet_in_the_folder_is_the_one_this_code_draws(card_files, paper):
    kept = rasterise(CALIBRATION_FOLDER / f"calibration-sheet-{paper}.pdf", dpi=100.0)
    assert np.array_equal(kept.grey, page_of(card_files, paper, "one", "sheet", dpi=100.0).grey)
