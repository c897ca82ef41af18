"""How many bolts hold a piece of plate, and how far from its ends they stand.

IRC R403.1.6 (2018 to 2024; ``rules`` says how it was read) asks for one bolt at each end that is not more than 12 in
and not less than seven diameters from it. A bolt nearer the end than that is no end bolt; where the next one lies
between both bounds, that one is, and the end meets the rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sillwright.judge.rules import RuleSet, Source
from sillwright.judge.steps import ENDS, End, Piece, Standing, from_end_mm, on_piece, standing
from sillwright.judge.verdicts import TOUCHES_MM, Bound, Check, CheckKey, Verdict, verdict_of, worst_of
from sillwright.survey import RunRecord


def piece_checks(run: RunRecord, piece: Piece, rules: RuleSet) -> tuple[Check, ...]:
    """Number of bolts and end distances of one piece, or what a set asks of a short wall in their place.

    Two bolts a piece, one of them 12 in at most and seven diameters at least from each end: IRC 2018 to 2024 R403.1.6;
    4 in at least: IBC 2015 and 2018 2308.3.1; a short wall: IRC R403.1.6, exceptions (from memory). NBC 2020 9.23.6.1
    has none of these (``rules`` says how each was read).
    """
    on_it, unplaced = _on_it(run, piece)
    length_mm = piece.high_mm - piece.low_mm
    if piece.short_wall:
        for figure, bolts_least in ((rules.short_wall_no_bolt, 0), (rules.short_wall_one_bolt, 1)):
            if figure is not None and length_mm <= figure.value_mm + TOUCHES_MM:
                return _short_wall(run, piece, rules, (on_it, unplaced)) if bolts_least else ()
    ends = [check for end in ENDS for check in _end(run, piece, end, rules, (on_it, unplaced))]
    return (*_bolts_a_piece(piece, rules, on_it, unplaced), *ends)


def _on_it(run: RunRecord, piece: Piece) -> tuple[tuple[Standing, ...], int]:
    placed, unplaced = standing(run)
    kept = []
    for held in placed:
        on = on_piece(held.bolt, piece, run.scale_u95_ratio)
        if on != "does not":
            kept.append(replace(held, sure=held.sure and on == "meets"))
    return tuple(kept), unplaced


def _bolts_a_piece(piece: Piece, rules: RuleSet, on_it: Sequence[Standing], unplaced: int) -> tuple[Check, ...]:
    if rules.bolts_least is None:
        return ()
    return (_count(piece, on_it, unplaced, rules.bolts_least.count, rules.bolts_least.source),)


def _count(piece: Piece, on_it: Sequence[Standing], unplaced: int, least: int, source: Source) -> Check:
    """The bolts that surely count; "does not" only where those that may count would not make up the number either.

    Two a piece: IRC 2018 to 2024 R403.1.6 (second-hand); IBC 2015 and 2018 2308.3.1 (from memory).
    """
    sure = sum(held.sure for held in on_it)
    verdict: Verdict = "meets" if sure >= least else "cannot tell" if len(on_it) + unplaced >= least else "does not"
    return Check(
        "bolts-a-piece",
        piece.name,
        verdict,
        None,
        None,
        None,
        source,
        piece=piece.name,
        count=sure,
        count_least=least,
        doubtful=unplaced > 0 or any(held.bolt.status != "ok" for held in on_it),
    )


def _short_wall(
    run: RunRecord, piece: Piece, rules: RuleSet, bolts: tuple[Sequence[Standing], int]
) -> tuple[Check, ...]:
    """One bolt, in the middle third of the piece's length: IRC 2018 to 2024 R403.1.6, exceptions (from memory)."""
    assert rules.short_wall_one_bolt is not None
    source = rules.short_wall_one_bolt.source
    on_it, unplaced = bolts
    middle_mm, limit_mm = (piece.low_mm + piece.high_mm) / 2.0, (piece.high_mm - piece.low_mm) / 6.0
    found = []
    for held in on_it:
        away = from_end_mm(held.bolt, piece, "low end", run.scale_u95_ratio)
        u95_mm = None if away is None else away[1]
        found.append(_length("short-wall-middle", held, abs(held.station_mm - middle_mm), u95_mm, limit_mm, source))
    count = _count(piece, on_it, unplaced, 1, source)
    if not found:
        return (count,)
    best = min(found, key=lambda check: (_RANK[check.verdict], check.measured_mm))
    return count, replace(_settled(best, unplaced), piece=piece.name, other="middle of the piece")


_RANK: dict[Verdict, int] = {"meets": 0, "cannot tell": 1, "does not": 2}


def _end(
    run: RunRecord, piece: Piece, end: End, rules: RuleSet, bolts: tuple[Sequence[Standing], int]
) -> tuple[Check, ...]:
    """The checks of one end, on the bolt that serves it best; of several that serve it alike, the nearest.

    12 in at most, seven diameters at least: IRC 2018 to 2024 R403.1.6 (second-hand); 4 in at least: IBC 2015 and 2018
    2308.3.1 (second-hand).
    """
    on_it, unplaced = bolts
    by_bolt = []
    for held in on_it:
        away = from_end_mm(held.bolt, piece, end, run.scale_u95_ratio)
        if away is not None:
            by_bolt.append((away[0], _end_of_bolt(held, away, rules)))
    if not by_bolt:
        return _no_bolt(piece, end, rules, unplaced)
    _, best = min(by_bolt, key=lambda item: (_RANK[worst_of({check.verdict for check in item[1]})], item[0]))
    return tuple(replace(_settled(check, unplaced), piece=piece.name, other=end) for check in best)


def _end_of_bolt(held: Standing, away: tuple[float, float | None], rules: RuleSet) -> tuple[Check, ...]:
    checks = []
    least_mm = rules.end_least_mm(held.bolt.diameter_mm)
    if rules.end_largest is not None:
        limit_mm, source = rules.end_largest.value_mm, rules.end_largest.source
        checks.append(_length("end-largest", held, *away, limit_mm, source))
    if rules.end_least is not None and least_mm is not None:
        checks.append(_length("end-least", held, *away, least_mm, rules.end_least.source))
    return tuple(checks)


def _length(
    key: CheckKey, held: Standing, measured_mm: float, u95_mm: float | None, limit_mm: float, source: Source
) -> Check:
    bound: Bound = "at least" if key == "end-least" else "at most"
    verdict = verdict_of(measured_mm, u95_mm, limit_mm, bound) if held.sure else "cannot tell"
    return Check(
        key=key,
        subject=held.bolt.mark,
        verdict=verdict,
        measured_mm=measured_mm,
        u95_mm=u95_mm,
        limit_mm=limit_mm,
        source=source,
        bound=bound,
        u95_from="derived",
        doubtful=held.bolt.status != "ok",
    )


def _settled(check: Check, unplaced: int) -> Check:
    """What fails may be met by a bolt whose place is not known."""
    return replace(check, verdict="cannot tell", doubtful=True) if check.verdict == "does not" and unplaced else check


def _no_bolt(piece: Piece, end: End, rules: RuleSet, unplaced: int) -> tuple[Check, ...]:
    figure = rules.end_largest
    if figure is None:
        return ()
    check = Check(
        "end-largest",
        piece.name,
        "does not",
        None,
        None,
        figure.value_mm,
        figure.source,
        bound="at most",
        other=end,
        piece=piece.name,
    )
    return (_settled(check, unplaced),)
