"""The form for a job: what was typed in it as a job file, and a job file as what would be typed.

What the form does not offer stays in the file as it was; so does what was not changed in the form. A fault goes to the
field it is of, by the place in the file that the field fills.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from sillwright.cards import CARD_COUNT
from sillwright.fasteners import BOLT_SIZES, BoltSize
from sillwright.job import agreement_faults
from sillwright.job_file import DEFAULT_BOLT, DEFAULT_PLATE, check_document, document_faults
from sillwright.job_values import NOMINAL_WIDTH_IN, read_bolt, read_plate_size
from sillwright.page.field_fault import FieldFault
from sillwright.page.folder import OUT
from sillwright.tell.report import file_names

Typed = Mapping[str, str]
Place = tuple[int | str, ...]
MOST_RUNS, MOST_TAPES, MOSTCORNERS = 20, 12, 20
OTHER_PLATE = "other"
# The fields of one length or text each: where it stands in the file.
_PLAIN: dict[str, tuple[str, ...]] = {
    "name": ("name",),
    "plate_width": ("plate", "width"),
    "bolt": ("bolts", "diameter"),
    "stickup": ("bolts", "stickup"),
    "thickness": ("cards", "thickness"),
    "check_length": ("cards", "check_length"),
    "profile": ("camera", "profile"),
    "hole_over": ("layout", "hole_over"),
    "level_within": ("layout", "level_within"),
    "shim_at_most": ("layout", "shim_at_most"),
}
LAYOUT = ("stock", "hole_over", "level_within", "shim_at_most")
ENDS = ("begins", "ends")
_CHOSEN = ("_line", *(f"_{end}" for end in ENDS))  # fields of a run that always hold something
CORNER = "corner"  # before a run's number: the plate's end meets that run
_ORDER = ("name", "plate", "bolts", "cards", "camera", "layout", "run", "corner", "outline")


@dataclass
class Built:
    """A job file out of a form: the document, which field fills which place of it, and what is wrong by field; under
    ``""`` stands what is of no field."""

    document: dict[str, Any]
    places: dict[Place, str] = field(default_factory=dict)
    faults: dict[str, list[FieldFault]] = field(default_factory=dict)

    def tell(self, name: str, *, key: str = "", said: str = "") -> None:
        """Add what is wrong with a field."""
        self.faults.setdefault(name, []).append(FieldFault(key, said))


def short_name(size: BoltSize) -> str:
    """What a bolt is called on site, and job.toml takes: ``1/2 in``, ``M12``."""
    name = size.name
    return name.partition("x")[0] if name.startswith("M") else f"{name.partition('-')[0]} in"


BOLTS = tuple(short_name(size) for size in BOLT_SIZES)
PLATES = tuple(NOMINAL_WIDTH_IN)


def numbers_in(typed: Typed, kind: str) -> list[int]:
    """Which runs, corners or tapes the form has, by their numbers in it."""
    found = {int(match[1]) for name in typed if (match := re.match(rf"{kind}(\d{{1,2}})_", name, re.ASCII))}
    return sorted(found)


def typed_of(document: Mapping[str, Any]) -> dict[str, str]:
    """What would be typed for a job file that can be used."""
    plate, bolts = document.get("plate", {}), document.get("bolts", {})
    typed = {name: _text(_at(document, place)) for name, place in _PLAIN.items()}
    typed["plate"] = OTHER_PLATE if "width" in plate else read_plate_size(plate.get("size", DEFAULT_PLATE))
    typed["layers"] = str(plate.get("layers", 1))
    typed["bolt"] = short_name(read_bolt(bolts.get("diameter", DEFAULT_BOLT)))
    typed["stock"] = ", ".join(document.get("layout", {}).get("stock", ()))
    names = [run["name"].strip() for run in document.get("run", ())]
    for number, run in enumerate(document.get("run", ())):
        head = f"run{number}"
        typed |= {
            f"{head}_was": str(number),
            f"{head}_name": run["name"],
            f"{head}_cards": _cards_text(run.get("cards")),
        }
        typed[f"{head}_line"] = run.get("line_marks", "outside")
        for count, tape in enumerate(run.get("tape", ())):
            for key, name in (("from_card", "from"), ("to_card", "to"), ("length", "length")):
                typed[f"{head}_tape{count}_{name}"] = str(tape[key])
        for end in ENDS:
            kind, value = next(iter(run.get(end, {}).items()), ("", ""))
            meets = kind == "corner" and value.strip() in names
            typed[f"{head}_{end}"] = f"{CORNER}{names.index(value.strip())}" if meets else kind
            typed[f"{head}_{end}_at"] = "" if kind == "corner" else value
    for number, corner in enumerate(document.get("corner", ())):
        first, second = (names.index(name.strip()) for name in corner["runs"])
        typed |= {f"corner{number}_was": str(number), f"corner{number}_first": str(first)}
        typed |= {f"corner{number}_second": str(second), f"corner{number}_joint": corner.get("joint", "butt")}
    return typed


def build(typed: Typed, old: Mapping[str, Any]) -> Built:
    """The job file that a form asks for; ``old`` is the one there is, empty for a new job."""
    built = Built(deepcopy(dict(old)))
    before = typed_of(old) if old else {}
    for name, place in _PLAIN.items():
        built.places[place] = name
        if typed.get(name, "") != before.get(name, "") or not old:
            _put(built.document, place, typed.get(name, ""))
    _plate(typed, before, built)
    _stock(typed, before, built)
    runs = _runs(typed, old, before, built)
    _corners(typed, old, runs, built)
    ordered = [key for key in _ORDER if key in built.document]
    built.document = {key: built.document[key] for key in [*ordered, *(set(built.document) - set(ordered))]}
    _check(built, runs)
    return built


def _plate(typed: Typed, before: Typed, built: Built) -> None:
    plate = typed.get("plate", "")
    built.places |= {("plate", "size"): "plate", ("plate", "layers"): "layers", ("plate",): "plate"}
    if plate != OTHER_PLATE:
        _put(built.document, ("plate", "width"), "")
    if plate != before.get("plate", ""):
        _put(built.document, ("plate", "size"), "" if plate == OTHER_PLATE else plate)
    if plate == OTHER_PLATE and not typed.get("plate_width"):
        built.tell("plate_width", key="form.plate_width")
    layers = typed.get("layers", "1")
    if layers != before.get("layers", ""):
        built.document.setdefault("plate", {})["layers"] = int(layers) if layers in ("1", "2", "3") else layers


def _stock(typed: Typed, before: Typed, built: Built) -> None:
    built.places[("layout", "stock")] = "stock"
    text = typed.get("stock", "")
    if text != before.get("stock", ""):
        pieces = [part.strip() for part in re.split(r"[,;]", text) if part.strip()]
        _put(built.document, ("layout", "stock"), pieces)


def _runs(typed: Typed, old: Mapping[str, Any], before: Typed, built: Built) -> dict[int, str]:
    """Put the runs in; the name of each that the form has, by its number there."""
    there: list[dict[str, Any]] = list(old.get("run", ()))
    numbers = [number for number in numbers_in(typed, "run") if typed.get(f"run{number}_name")]
    names = {number: typed[f"run{number}_name"] for number in numbers}
    for number in set(numbers_in(typed, "run")) - set(numbers):
        head = f"run{number}"
        texts = [text for name, text in typed.items() if name.startswith(f"{head}_") and not name.endswith(_CHOSEN)]
        if any(texts) and not typed.get(f"{head}_was"):  # one that was there is taken out by its empty name
            built.tell(f"{head}_name", key="form.no_name")
    if len(numbers) > MOST_RUNS:
        built.tell("", key="form.most_runs")
    runs: list[dict[str, Any]] = []
    renamed: dict[str, str] = {}
    for count, number in enumerate(numbers):
        head, at = f"run{number}", ("run", count)
        was = _number(typed.get(f"{head}_was", ""), len(there))
        run = deepcopy(there[was]) if was is not None else {}
        if was is not None:
            renamed[run["name"].strip()] = names[number]
        run["name"] = names[number]
        if was is None:
            taken = [pattern for one in (*there, *runs, *old.get("corner", ())) for pattern in one.get("photos", ())]
            run["photos"] = [f"{_free_folder(names[number], taken)}/*"]
        built.places |= {(*at, "name"): f"{head}_name", (*at, "cards"): f"{head}_cards"}
        built.places |= {(*at, "line_marks"): f"{head}_line", at: f"{head}_name"}
        if typed.get(f"{head}_cards", "") != (before.get(f"run{was}_cards", "") if was is not None else ""):
            _cards(typed, head, run, built)
        _set(run, "line_marks", typed.get(f"{head}_line", ""))
        _tapes(typed, head, at, run, built)
        for end in ENDS:
            _end(typed, f"{head}_{end}", (*at, end), end, names, run, built)
        runs.append(run)
    built.document["run"] = runs
    built.places[("run",)] = "run0_name"
    if not runs:
        built.tell("run0_name", key="form.no_run")
    _rename(built.document, renamed)
    return names


def _rename(document: dict[str, Any], names: Mapping[str, str]) -> None:
    """A run that has another name now has it wherever the form does not say it anew."""
    for corner in document.get("corner", ()):
        if corner.get("through", "").strip() in names:
            corner["through"] = names[corner["through"].strip()]
    for wall in document.get("outline", {}).get("wall", ()):
        wall["run"] = names.get(wall["run"].strip(), wall["run"])


def _cards(typed: Typed, head: str, run: dict[str, Any], built: Built) -> None:
    text = typed.get(f"{head}_cards", "")
    cards = cards_in(text)
    if cards is None:
        built.tell(f"{head}_cards", key="form.cards")
    elif cards:
        run["cards"] = cards
    else:
        run.pop("cards", None)


def cards_in(text: str) -> list[int] | None:
    """Card numbers as people write them: ``1, 2, 5``, ``1-5``, ``1 to 5``; None where it is something else."""
    cards: list[int] = []
    for part in re.split(r"[,;]|\s+(?:and|y)\s+", text.strip()) if text.strip() else ():
        match = re.fullmatch(r"\s*(\d{1,2})\s*(?:(?:-|–|to|a)\s*(\d{1,2})\s*)?", part, re.ASCII)
        if match is None:
            return None
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last <= CARD_COUNT:
            return None
        cards += range(first, last + 1)
    return list(dict.fromkeys(cards))


def _tapes(typed: Typed, head: str, at: Place, run: dict[str, Any], built: Built) -> None:
    tapes: list[dict[str, Any]] = []
    for count in numbers_in({name.removeprefix(f"{head}_"): "" for name in typed if name.startswith(head)}, "tape"):
        place, names = (*at, "tape", len(tapes)), {key: f"{head}_tape{count}_{key}" for key in ("from", "to", "length")}
        texts = {key: typed.get(name, "") for key, name in names.items()}
        if not any(texts.values()):
            continue
        built.places |= {(*place, "length"): names["length"], place: names["length"]}
        for key in ("from", "to"):
            built.places[(*place, f"{key}_card")] = names[key]
            if cards_in(texts[key]) is None or len(cards_in(texts[key]) or ()) != 1:
                built.tell(names[key], key="form.card")
        if not texts["length"]:
            built.tell(names["length"], key="form.tape_length")
        cards = {f"{key}_card": (cards_in(texts[key]) or [1])[0] for key in ("from", "to")}
        tapes.append({**cards, "length": texts["length"] or "1 ft"})
    _set(run, "tape", tapes)


def _end(
    typed: Typed, name: str, place: Place, end: str, names: Mapping[int, str], run: dict[str, Any], built: Built
) -> None:
    """Where the plate begins or ends: at the run it meets, or at a station."""
    kind, at = typed.get(name, ""), typed.get(f"{name}_at", "")
    built.places[place] = name
    if kind.startswith(CORNER):
        met = _run_named(kind.removeprefix(CORNER), names)
        if met:
            run[end] = {"corner": met}
        else:
            built.tell(name, key="form.no_such_run")
    elif kind in ("station", "wall_end"):
        built.places[(*place, kind)] = f"{name}_at"
        run[end] = {kind: at}
    elif at:
        built.tell(name, key="form.end_kind")
    else:
        run.pop(end, None)


def _corners(typed: Typed, old: Mapping[str, Any], names: Mapping[int, str], built: Built) -> None:
    there: list[dict[str, Any]] = list(built.document.get("corner", ()))
    corners: list[dict[str, Any]] = []
    for number in numbers_in(typed, "corner"):
        head, place = f"corner{number}", ("corner", len(corners))
        first, second = (typed.get(f"{head}_{which}", "") for which in ("first", "second"))
        if not first and not second:
            continue
        runs = [_run_named(text, names) for text in (first, second)]
        for text, which in zip(runs, ("first", "second"), strict=True):
            if not text:
                built.tell(f"{head}_{which}", key="form.no_such_run")
        was = _number(typed.get(f"{head}_was", ""), len(there))
        corner = dict(there[was]) if was is not None else {}
        corner["runs"] = runs
        if was is None:
            patterns = [
                pattern for one in (*built.document["run"], *there, *corners) for pattern in one.get("photos", ())
            ]
            corner["photos"] = [f"{_free_folder('corner ' + ' '.join(runs), patterns)}/*"]
        joint = typed.get(f"{head}_joint", corner.get("joint", "butt"))
        if joint != corner.get("joint", "butt"):
            corner["joint"] = joint
        if corner.get("through") not in (None, *runs) or joint == "mitre":
            corner.pop("through", None)
        built.places |= {place: f"{head}_first", (*place, "joint"): f"{head}_joint"}
        corners.append(corner)
    _set(built.document, "corner", corners)


def _check(built: Built, names: Mapping[int, str]) -> None:
    """Hold the whole against what a job file may say, and bring each fault to its field."""
    for place, told in document_faults(built.document):
        named = next(
            (built.places[place[:size]] for size in range(len(place), 0, -1) if place[:size] in built.places), ""
        )
        if not built.faults.get(named) or not named:
            built.tell(named, said=told)
    if built.faults:
        return
    for told in agreement_faults(check_document(built.document, Path("job.toml"))):
        heads = [f"run{number}_name" for number, name in names.items() if told.startswith(f'run "{name.strip()}"')]
        built.tell(heads[0] if heads else "", said=told)


def _free_folder(name: str, patterns: Iterable[str]) -> str:
    """A folder for photos that no pattern looks into, and that is not that of the results."""
    taken = {PurePosixPath(pattern).parts[0].casefold() for pattern in patterns if PurePosixPath(pattern).parts}
    plain = next(iter(file_names([name]).values()))
    plain = f"{plain}-photos" if plain.casefold() == OUT else plain
    tried = (plain, *(f"{plain}-{count}" for count in range(2, 1000)))
    return next(one for one in tried if one.casefold() not in taken)


def _cards_text(cards: Sequence[int] | None) -> str:
    """``1-5`` where they follow each other, else with commas."""
    if not cards:
        return ""
    follow = len(cards) > 2 and list(cards) == list(range(cards[0], cards[0] + len(cards)))
    return f"{cards[0]}-{cards[-1]}" if follow else ", ".join(map(str, cards))


def _number(text: str, below: int) -> int | None:
    return int(text) if re.fullmatch(r"\d{1,2}", text, re.ASCII) and int(text) < below else None


def _run_named(number: str, names: Mapping[int, str]) -> str:
    """The name of the run with that number in the form; empty where there is none."""
    return next((name for one, name in names.items() if str(one) == number), "")


def _text(value: Any) -> str:
    return "" if value is None else str(value)


def _at(document: Mapping[str, Any], place: Sequence[str]) -> Any:
    here: Any = document
    for key in place:
        here = here.get(key) if isinstance(here, Mapping) else None
    return here


def _put(document: dict[str, Any], place: Sequence[str], value: Any) -> None:
    """Put a value in, or take the key out where it is empty, and a table that is empty then."""
    *tables, key = place
    if value or not tables:
        here = document
        for table in tables:
            here = here.setdefault(table, {})
        here[key] = value
    elif tables and tables[0] in document:
        document[tables[0]].pop(key, None)
        if not document[tables[0]]:
            del document[tables[0]]


def _set(table: dict[str, Any], key: str, value: Any) -> None:
    if value:
        table[key] = value
    else:
        table.pop(key, None)
