"""What stands on every page of the plates' PDF, and the tick box: headed with job, run, date, rules and fingerprint."""

from __future__ import annotations

from typing import Any

from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from sillwright.tell.lettering import BOLD, REGULAR, printable
from sillwright.tell.pdf_parts import FAINT, INK, MARGIN
from sillwright.tell.plate_job_rows import JobRows
from sillwright.tell.plate_wording import ADVISES_NOTHING_STRUCTURAL

_SHARES = (0.24, 0.20, 0.14, 0.13, 0.19, 0.10)  # of the header's width
_PAD = 4.0


class NumberedCanvas(Canvas):  # type: ignore[misc]  # reportlab carries no types
    """A canvas that writes ``page n of m`` into each page's header once it knows how many there are."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._pages: list[dict[str, Any]] = []
        self.page_words_at: tuple[float, float] | None = None

    def showPage(self) -> None:
        """Keep the page until all are there."""
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Write all pages, each with its number."""
        count = len(self._pages)
        for number, page in enumerate(self._pages, start=1):
            self.__dict__.update(page)
            if self.page_words_at is not None:
                self.setFont(BOLD, 11)
                self.setFillColor(INK)
                self.drawString(*self.page_words_at, f"{number} of {count}")
            super().showPage()
        super().save()


def draw_header(canvas: Any, page: tuple[float, float], high: float, job: JobRows, run: str) -> None:
    """The block at the head of a page and the line at its foot; ``run`` is empty on the job's own sheet."""
    across = page[0] - 2 * MARGIN
    top = page[1] - MARGIN * 0.8
    bottom = top - high
    canvas.saveState()
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(1.2)
    canvas.rect(MARGIN, bottom, across, high)
    cells = (
        ("Job", job.name, 12.0),
        ("Run", run or "the whole job", 17.0 if run else 11.0),
        ("Plan of", job.date, 11.0),
        ("Rules", job.rules, 10.0),
        ("Photos", job.fingerprint, 8.6),
        ("Page", "", 11.0),
    )
    left = MARGIN
    for place, ((head, words, size), share) in enumerate(zip(cells, _SHARES, strict=True)):
        if place:
            canvas.setLineWidth(0.5)
            canvas.line(left, bottom, left, top)
        canvas.setFont(REGULAR, 7.2)
        canvas.setFillColor(FAINT)
        canvas.drawString(left + _PAD, top - 10, head)
        canvas.setFillColor(INK)
        for line, (said, points) in enumerate(_two_lines(words, size, share * across - 2 * _PAD)):
            canvas.setFont(BOLD, points)
            canvas.drawString(left + _PAD, top - 25 - 12 * line, said)
        if head == "Photos":
            canvas.setFont(REGULAR, 7.2)
            canvas.drawString(left + _PAD, top - 36, fitted(job.photos, REGULAR, 7.2, share * across - 2 * _PAD))
        if head == "Page":
            canvas.page_words_at = (left + _PAD, top - 25)
        left += share * across
    canvas.setFont(REGULAR, 7)
    canvas.setFillColor(FAINT)
    canvas.drawString(
        MARGIN, MARGIN * 0.45, fitted(f"{job.software}. {ADVISES_NOTHING_STRUCTURAL}", REGULAR, 7, across)
    )
    canvas.restoreState()


def fitted(words: str, font: str, points: float, width: float) -> str:
    """Words cut to a width, with three dots where something is cut off."""
    said = printable(words)
    if stringWidth(said, font, points) <= width:
        return said
    while said and stringWidth(f"{said}...", font, points) > width:
        said = said[:-1]
    return f"{said}..."


def _two_lines(words: str, points: float, width: float) -> list[tuple[str, float]]:
    """Words in one line, or in two smaller ones, cut where even that is too little."""
    said = printable(words)
    if stringWidth(said, BOLD, points) <= width:
        return [(said, points)]
    small = min(points, 9.0)
    first = fitted(said, BOLD, small, width).removesuffix("...")
    space = first.rfind(" ")
    if space > 0 and len(first) < len(said):
        first = first[:space]
    rest = said[len(first) :].strip()
    return [(first, small), (fitted(rest, BOLD, small, width), small)] if rest else [(first, small)]


class TickBox(Flowable):  # type: ignore[misc]  # reportlab carries no types
    """A bolt's mark beside a box to tick; ``inside`` is nothing, a question mark, or x for a bolt without a hole."""

    def __init__(self, mark: str, inside: str, side: float = 15.0) -> None:
        super().__init__()
        self.mark, self.inside, self.side = mark, inside, side
        self.width, self.height = 60.0, side + 3.0

    def wrap(self, available_width: float, _available_height: float) -> tuple[float, float]:
        """The room it takes, in points."""
        self.width = available_width
        return available_width, self.height

    def draw(self) -> None:
        """The box, what is in it, and the mark, smaller where it is long."""
        canvas = self.canv
        canvas.saveState()
        canvas.setStrokeColor(INK)
        canvas.setFillColor(INK)
        canvas.setLineWidth(1.1)
        side = self.side
        canvas.rect(0, 1, side, side)
        if self.inside == "x":
            canvas.line(0, 1, side, 1 + side)
            canvas.line(0, 1 + side, side, 1)
        elif self.inside:
            canvas.setFont(BOLD, 12)
            canvas.drawCentredString(side / 2, 4.5, self.inside)
        room, points = self.width - side - 3.0, 14.0
        said = printable(self.mark)
        while points > 7.0 and stringWidth(said, BOLD, points) > room:
            points -= 0.5
        canvas.setFont(BOLD, points)
        canvas.drawString(side + 3.0, 4.0, fitted(said, BOLD, points, room))
        canvas.restoreState()
