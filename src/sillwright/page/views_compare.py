"""Two surveys of one job compared: what moved, was straightened, is new or gone, as a table and as two pictures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import get_args

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from sillwright.archive.compare import Align, Comparison, RunComparison, compare
from sillwright.errors import SillwrightError
from sillwright.page.compared import Side, both_sides, folder_words
from sillwright.page.refusal import Refusal
from sillwright.page.views import page_of, rendered, words_for
from sillwright.page.words import Words
from sillwright.survey import BoltRecord, left_handed
from sillwright.tell.compare_plan import ComparePlan, compare_plan
from sillwright.tell.compare_words import CompareRow, Ways, compare_lines, compare_rows

_ALIGNS: tuple[Align, ...] = get_args(Align)
# How to ask for another alignment here: by the names of the choices over the table.
_WAYS = Ways("choose “spacing only” above", "choose “spacing only” above; if it did not, “as they are”", "as chosen")


@dataclass(frozen=True)
class Line:
    """One bolt: its row as text, and a picture of it before and after where there is one."""

    row: CompareRow
    before: str
    after: str


@dataclass(frozen=True)
class RunShown:
    """One run: how many bolts of each kind, as keys of words, its lines and its two pictures."""

    name: str
    counts: tuple[tuple[str, int], ...]
    lines: tuple[Line, ...]
    plan: ComparePlan

    @property
    def pictures(self) -> tuple[Markup, Markup]:
        """Before and after; what is in them is escaped in tell.markup."""
        return Markup(self.plan.before), Markup(self.plan.after)


def compare_page(request: Request) -> Response:
    """The whole page."""
    page, name, key = page_of(request), request.path_params["name"], request.query_params.get("with", "")
    align: Align = next((one for one in _ALIGNS if one == request.query_params.get("align")), "agreed")
    try:
        first, second = both_sides(page.store, name, key)
    except Refusal:
        raise
    except SillwrightError as fault:
        raise Refusal(409, "package", said=folder_words(page.store.folder, fault)) from fault
    found = compare(first.survey.runs, second.survey.runs, align)
    return rendered(
        request,
        "compare.html",
        path=f"/as-built/{name}",
        first=first,
        second=second,
        found=found,
        runs=tuple(_runs(found, first, second, words_for(request))),
        lines=tuple(compare_lines(found, ways=_WAYS)),
        align=align,
        aligns=_ALIGNS,
        key=key,
    )


def _runs(found: Comparison, first: Side, second: Side, words: Words) -> Iterator[RunShown]:
    ones, others = ({run.name: run for run in side.survey.runs} for side in (first, second))
    for run in found.runs:
        titles = (words("compare.picture_before", name=run.run), words("compare.picture_after", name=run.run))
        handed = left_handed(first.survey, run.run)
        if handed is None:
            handed = left_handed(second.survey, run.run)
        plan = compare_plan(run, ones[run.run], others[run.run], bool(handed), titles)
        yield RunShown(run.run, _counts(run), tuple(_lines(run, first.photos, second.photos)), plan)


def _counts(run: RunComparison) -> tuple[tuple[str, int], ...]:
    """How many bolts there are of each kind; a bolt may be of two."""
    told = Counter[str]()
    for pair in run.pairs:
        told["compare.moved"] += pair.place == "moved"
        told["compare.straightened"] += pair.lean == "straightened"
        told["compare.leans_more"] += pair.lean in ("leans more", "leans another way")
        told["compare.cannot_tell"] += "cannot tell" in (pair.place, pair.lean)
        told["compare.same"] += pair.place == "same" and pair.lean == "same"
    told["compare.new"], told["compare.gone"] = len(run.new), len(run.gone)
    return tuple((key, count) for key, count in told.items() if count)


def _lines(run: RunComparison, before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[Line]:
    """Each row with the bolts it is of."""
    bolts: list[tuple[BoltRecord | None, BoltRecord | None]] = [(pair.first, pair.second) for pair in run.pairs]
    bolts += [(None, bolt) for bolt in run.new] + [(bolt, None) for bolt in run.gone]
    for row, (one, other) in zip(compare_rows(run), bolts, strict=True):
        yield Line(row, _photo(one, before), _photo(other, after))


def _photo(bolt: BoltRecord | None, photos: Mapping[str, str]) -> str:
    """The address of the first picture of a bolt; empty where there is none."""
    return next((photos[file] for file in (bolt.photos if bolt is not None else ()) if file in photos), "")
