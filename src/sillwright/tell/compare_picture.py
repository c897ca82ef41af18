"""The picture of a comparison, as SVG: for each bolt where it stood and stands, and how it leaned and leans.

Left in each cell the foot, over ±1/2 in round where the first had it: an open square the first, a filled circle the
second, each in the box of its 95 % interval. Right the lean, from plumb in the middle: an open square before, a filled
circle after. Stations rise to the right and setbacks upward, whichever hand the run has. What differs has a thick frame
and its words.
"""

from __future__ import annotations

import math
import textwrap
from pathlib import Path

from sillwright.archive.compare import Comparison, Pair, RunComparison
from sillwright.lengths import MM_PER_INCH
from sillwright.survey import BoltRecord
from sillwright.tell.compare_words import at, lean_words, name, run_lines, what
from sillwright.tell.markup import Markup, el, joined

_CELL, _HIGH, _EDGE = 250.0, 190.0, 16.0  # of the page, in its own units
_PLOT = 104.0  # side of each of the two plots
_A_ROW = 4
_REACH_MM = MM_PER_INCH / 2.0
_REACH_DEG = 8.0
_RINGS_DEG = (2.0, 5.0)
_FIRST, _SECOND, _DIFFERS, _QUIET = "#1f4e79", "#b34700", "#000000", "#9a9a9a"
_LINE = 17.0
_LETTERS_A_LINE = 150
_LEGEND = "□ the first, ● the second; boxes: 95 % intervals; right: farther along, up: farther in from the line"
_MADE_BY = "sillwright compare"


def compare_svg(found: Comparison, design: bool = False) -> str:
    """The whole picture; every run under its name."""
    parts: list[Markup] = []
    top = _EDGE + 14.0
    parts.append(_words(_EDGE, top, _LEGEND, 13.0))
    top += 10.0
    for run in found.runs:
        top += 24.0
        parts.append(_words(_EDGE, top, f"Run {run.run}", 18.0, bold=True))
        for line in (part for told in run_lines(run, design) for part in textwrap.wrap(told, _LETTERS_A_LINE)):
            top += _LINE
            parts.append(_words(_EDGE, top, line, 12.0))
        top += 8.0
        cells = [_pair_cell(pair, design) for pair in run.pairs] + [_lone_cell(*one) for one in _lone(run)]
        for place, cell in enumerate(cells):
            x, y = _EDGE + place % _A_ROW * _CELL, top + place // _A_ROW * _HIGH
            parts.append(el("g", cell, transform=f"translate({x:g} {y:g})"))
        top += -(-len(cells) // _A_ROW) * _HIGH
    width, height = 2 * _EDGE + _A_ROW * _CELL, top + _EDGE
    page = el(
        "svg",
        el("title", "Two surveys compared"),
        el("desc", _MADE_BY),
        el("rect", width=f"{width:g}", height=f"{height:g}", fill="#ffffff"),
        joined(*parts),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width:g} {height:g}",
        width=f"{width:g}",
        height=f"{height:g}",
        font_family="sans-serif",
    )
    return f"{page}\n"


def is_picture(path: Path) -> bool:
    """Whether a file is a picture that this module made."""
    try:
        with path.open("rb") as stream:
            return f"<desc>{_MADE_BY}</desc>".encode() in stream.read(1000)
    except OSError:
        return False


def _pair_cell(pair: Pair, design: bool) -> Markup:
    differs = pair.place != "same" or pair.lean != "same"
    said = what(pair, design) + (", CHECK" if pair.doubtful else "")
    return joined(
        _frame(differs),
        _words(8.0, 18.0, f"{name(pair)} {at(pair.first)}", 13.0, bold=True),
        _foot_plot(pair),
        el("g", _lean_plot(pair), transform=f"translate({_PLOT + 18:g} 0)"),
        _words(8.0, 148.0, said, 12.0, bold=differs),
        _words(8.0, 166.0, "" if pair.lean == "cannot tell" else f"lean {lean_words(pair)}", 12.0),
    )


def _lone(run: RunComparison) -> list[tuple[BoltRecord, str]]:
    return [(bolt, "only in the second") for bolt in run.new] + [(bolt, "only in the first") for bolt in run.gone]


def _lone_cell(bolt: BoltRecord, said: str) -> Markup:
    return joined(
        _frame(True),
        _words(8.0, 18.0, f"{bolt.mark} {at(bolt)}", 13.0, bold=True),
        _words(8.0, 80.0, said, 13.0, bold=True),
    )


def _frame(differs: bool) -> Markup:
    return el(
        "rect", x="2", y="2", width=f"{_CELL - 10:g}", height=f"{_HIGH - 10:g}", fill="none",
        stroke=_DIFFERS if differs else _QUIET, stroke_width=2.5 if differs else 0.8,
    )  # fmt: skip


def _foot_plot(pair: Pair) -> Markup:
    """Where the foot is, over half an inch each way; a step that is longer ends at the edge, with its length said."""
    centre, scale = _PLOT / 2.0, _PLOT / 2.0 / _REACH_MM
    parts = [_plot_box("foot, 1/2 in each way"), _cross(centre)]
    if pair.station is None or pair.setback is None:
        return _placed(*parts, _words(centre, centre - 6.0, "not known", 11.0, middle=True))
    step = (pair.station.mm, pair.setback.mm)
    largest = max(1.0, *(abs(one) / _REACH_MM for one in step))
    x, y = centre + step[0] / largest * scale, centre - step[1] / largest * scale
    first, second = pair.first.u95, pair.second.u95
    parts += [
        _interval(centre, centre, first.station_mm, first.setback_mm, scale, _FIRST),
        _interval(x, y, second.station_mm, second.setback_mm, scale, _SECOND),
        _stroke(centre, centre, x, y),
        _square(centre, centre),
        _disc(x, y),
    ]
    if largest > 1.0:
        parts.append(_words(centre, 14.0, "farther than drawn", 10.0, middle=True))
    return _placed(*parts)


def _lean_plot(pair: Pair) -> Markup:
    centre, scale = _PLOT / 2.0, _PLOT / 2.0 / _REACH_DEG
    rings = [
        el("circle", cx=f"{centre:g}", cy=f"{centre:g}", r=f"{ring * scale:.1f}", fill="none", stroke="#cccccc")
        for ring in _RINGS_DEG
    ]
    parts = [_plot_box("lean, rings 2° and 5°"), *rings, _cross(centre)]
    if pair.lean == "cannot tell":
        return _placed(*parts, _words(centre, centre - 6.0, "not known", 11.0, middle=True))
    before = (pair.first.lean_along_mm or 0.0, pair.first.lean_across_mm or 0.0)
    stepped = [0.0 if one is None else one.mm for one in (pair.lean_along, pair.lean_across)]
    x, y = _lean_place(*before, pair.first.lean_deg or 0.0, centre, scale)
    u, v = _lean_place(before[0] + stepped[0], before[1] + stepped[1], pair.second.lean_deg or 0.0, centre, scale)
    return _placed(*parts, _stroke(x, y, u, v), _square(x, y), _disc(u, v))


def _lean_place(along_mm: float, across_mm: float, size_deg: float, centre: float, scale: float) -> tuple[float, float]:
    """The tip's way from plumb, as long as the angle; what is over the plot's edge is drawn on it."""
    length_mm = math.hypot(along_mm, across_mm)
    if length_mm == 0.0:
        return centre, centre
    shown = min(size_deg, _REACH_DEG) * scale / length_mm
    return centre + along_mm * shown, centre - across_mm * shown


def _placed(*parts: Markup) -> Markup:
    return el("g", joined(*parts), transform="translate(8 26)")


def _plot_box(words: str) -> Markup:
    side = f"{_PLOT:g}"
    return joined(
        el("rect", width=side, height=side, fill="#fafafa", stroke="#cccccc"),
        _words(_PLOT / 2.0, _PLOT - 4.0, words, 9.0, middle=True),
    )


def _cross(centre: float) -> Markup:
    path = f"M {centre:g} 0 V {_PLOT:g} M 0 {centre:g} H {_PLOT:g}"
    return el("path", d=path, stroke="#dddddd", fill="none")


def _interval(x: float, y: float, along_mm: float | None, across_mm: float | None, scale: float, color: str) -> Markup:
    """The box of a 95 % interval, cut off at the plot's edge."""
    reach = [min((half or 0.0) * scale, _PLOT) for half in (along_mm, across_mm)]
    left, right = max(x - reach[0], 0.0), min(x + reach[0], _PLOT)
    top, bottom = max(y - reach[1], 0.0), min(y + reach[1], _PLOT)
    return el(
        "rect", x=f"{left:.1f}", y=f"{top:.1f}", width=f"{right - left:.1f}", height=f"{bottom - top:.1f}", fill=color,
        fill_opacity=0.12, stroke=color, stroke_width=0.7,
    )  # fmt: skip


def _stroke(x: float, y: float, u: float, v: float) -> Markup:
    return el("path", d=f"M {x:.1f} {y:.1f} L {u:.1f} {v:.1f}", stroke="#444444", stroke_width=1.2)


def _square(x: float, y: float) -> Markup:
    return el(
        "rect", x=f"{x - 4:.1f}", y=f"{y - 4:.1f}", width="8", height="8", fill="none", stroke=_FIRST, stroke_width=1.6
    )


def _disc(x: float, y: float) -> Markup:
    return el("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r="3.4", fill=_SECOND)


def _words(x: float, y: float, words: str, size: float, *, bold: bool = False, middle: bool = False) -> Markup:
    return el(
        "text", words, x=f"{x:g}", y=f"{y:g}", font_size=f"{size:g}", font_weight="bold" if bold else "normal",
        text_anchor="middle" if middle else "start",
    )  # fmt: skip
