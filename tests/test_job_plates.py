"""What job.toml says for cutting and drilling: what it is when left out, and a sentence for each slip."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sillwright.errors import JobError
from sillwright.job_file import check_document

RUN: dict[str, Any] = {"name": "north", "photos": ["north/*.jpg"]}


def checked(run: dict[str, Any] | None = None, **tables: Any):
    return check_document({"name": "Lot", "run": [{**RUN, **(run or {})}], **tables}, Path("job.toml"))


def fault(run: dict[str, Any] | None = None, **tables: Any) -> str:
    with pytest.raises(JobError) as told:
        checked(run, **tables)
    return str(told.value)


def test_left_out_it_is_the_default_rules_and_stock_of_8_to_20_ft() -> None:
    layout = checked().layout
    assert layout.rules == "irc-2021"
    assert [round(one / 304.8) for one in layout.stock_mm] == [8, 10, 12, 14, 16, 18, 20]
    assert (layout.stagger_mm, layout.mark_mm) == pytest.approx((609.6, 1.5875))


def test_an_end_is_a_corner_a_station_or_the_concretes_end() -> None:
    job = checked({"begins": {"corner": "east"}, "ends": {"station": "-5 1/2 in"}})
    assert job.run[0].begins is not None
    assert job.run[0].begins.corner == "east"
    assert job.run[0].ends is not None
    assert job.run[0].ends.station_mm == pytest.approx(-139.7)


@pytest.mark.parametrize("end", [{}, {"corner": "east", "station": "1 in"}])
def test_an_end_that_says_nothing_or_two_things_is_told_what_to_write(end: dict[str, str]) -> None:
    told = fault({"begins": end})
    assert 'run "north", [run.begins]' in told
    assert 'corner = "the other run"' in told


@pytest.mark.parametrize(
    ("layout", "told"),
    [
        ({"stock": ["12"]}, "has no unit"),
        ({"stock": []}, "[layout], stock is empty"),
        ({"stock": ["6 in"]}, "must be at least 300 mm"),
        ({"stagger": "-2 ft"}, "is negative"),
        ({"marks": "1/8 in"}, 'must be "1/16 in" or "1/32 in"'),
        ({"lean_limit": 0}, "must be more than 0"),
        ({"lean_limit": 60.0}, "must be at most 45."),
        ({"seismic": "yes"}, "must be true or false"),
        ({"waste": 60}, "must be at most 50."),
        ({"stok": ["8 ft"]}, "Did you mean stock?"),
    ],
)
def test_a_slip_is_told_with_its_key_and_the_fix(layout: dict[str, Any], told: str) -> None:
    assert told in fault(layout=layout)


def test_taped_walls_and_diagonals_are_lists_of_tables() -> None:
    assert "[[outline.wall]]" in fault(outline={"wall": {"run": "north", "length": "40 ft"}})
    walls = checked(outline={"wall": [{"run": "north", "length": "40 ft"}]}).outline.wall
    assert walls[0].length_mm == pytest.approx(12192.0)
