"""The plan strip as SVG."""

from __future__ import annotations

from sillwright.tell.markup import Markup, el, joined
from sillwright.tell.plan import FULL_ROW_MM, PlanRow, Stroke, Words

_BLEED_MM = 2.0


def plan_svg(row: PlanRow, name: str, *, styled: bool = True) -> Markup:
    """One row of the plan; all rows are set to one scale, a full one as wide as the page.

    styled : with that width in a style of its own; without one, for a page whose policy takes no style in an element,
    every row is as wide as a full one
    """
    full = FULL_ROW_MM + 2 * _BLEED_MM
    width, height = row.width + 2 * _BLEED_MM if styled else max(row.width + 2 * _BLEED_MM, full), row.height
    share = width / full
    style = {"style": f"width: {share:.2%}; min-width: {46 * share:.1f}rem"} if styled else {}
    shapes = [_stroke(stroke) for stroke in row.strokes]
    shapes += [
        el("circle", cx=_n(ring.centre[0]), cy=_n(ring.centre[1]), r=_n(ring.radius), class_=f"pen-{ring.pen}")
        for ring in row.rings
    ]
    shapes += [_words(words) for words in row.words]
    return el(
        "svg",
        el("title", name),
        joined(*shapes),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"{-_BLEED_MM} 0 {_n(width)} {_n(height)}",
        class_="plan",
        role="img",
        **style,
    )


def arrow_svg(turn_deg: float) -> Markup:
    """A small arrow for a list, pointing ``turn_deg`` counterclockwise from the right."""
    return el(
        "svg",
        el("path", d="M -7 0 H 7 M 2 -4 L 7 0 L 2 4"),
        viewBox="-9 -9 18 18",
        class_="way",
        style=f"transform: rotate({-turn_deg:.0f}deg)",
        aria_hidden="true",
    )


def _stroke(stroke: Stroke) -> Markup:
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in stroke.points)
    return el("polyline", points=points, class_=f"pen-{stroke.pen}")


def _words(words: Words) -> Markup:
    weight = " bold" if words.bold else ""
    return el(
        "text",
        words.text,
        x=_n(words.at[0]),
        y=_n(words.at[1]),
        font_size=_n(words.size),
        text_anchor=words.anchor,
        class_=f"ink-{words.ink}{weight}",
    )


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
