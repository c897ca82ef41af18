"""``sillwright calibrate``: photos of the printed sheet to a phone profile."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import date
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sillwright.cli.output import check_file, tell_of_repeats, writing
from sillwright.errors import CalibrationError, LengthError, PhotoError

if TYPE_CHECKING:
    from rich.console import Console

    from sillwright.cards import BoardSpec
    from sillwright.photo import PhotoFacts
    from sillwright.see.charuco import BoardSighting
    from sillwright.solve.calibrate import Calibration

PROCESSES = 2
MIN_SHEET_CORNERS = 12
BOWED_MM = 1.0
BOARD_EXAMPLE = "9x6,28mm,21mm,4X4_50"
MEANINGS = {
    "fx": "focal length across, pixels",
    "fy": "focal length down, pixels",
    "cx": "middle of the lens across, pixels",
    "cy": "middle of the lens down, pixels",
    "k1": "bending, first term",
    "k2": "bending, second term",
    "p1": "lens askew, down",
    "p2": "lens askew, across",
    "k3": "bending, third term",
}


class BoardType(click.ParamType["BoardSpec"]):
    """Text such as ``9x6,28mm,21mm,4X4_50`` or ``5x8,30mm,22mm,5X5_250,legacy`` to a board."""

    name = "board"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> BoardSpec:
        """Read the text; click shows what is wrong with it."""
        try:
            return parse_board(str(value))
        except ValueError as fault:
            self.fail(f"{value!r} is not a board: {fault} Write it like {BOARD_EXAMPLE}.", param, ctx)


def parse_board(text: str) -> BoardSpec:
    """A board from ``squares, square size, marker size, dictionary[, legacy]``; ValueError says what is wrong."""
    import cv2

    from sillwright.cards import BoardSpec
    from sillwright.lengths import parse_length_mm

    parts = [part.strip() for part in text.split(",")]
    legacy = parts[-1].lower() == "legacy"
    parts = parts[:-1] if legacy else parts
    if len(parts) != 4:
        raise ValueError("it needs squares, square size, marker size and dictionary, with commas between.")
    across, _, down = parts[0].lower().partition("x")
    if not (across.isdecimal() and down.isdecimal() and 2 <= int(across) <= 40 and 2 <= int(down) <= 40):
        raise ValueError("squares are counted across x down, 2 to 40 each.")
    try:
        square_mm, marker_mm = parse_length_mm(parts[1]), parse_length_mm(parts[2])
    except LengthError as fault:
        raise ValueError(str(fault)) from fault
    if not 0.0 < marker_mm < square_mm:
        raise ValueError("a marker must be smaller than its square.")
    wanted = parts[3].lower().removeprefix("dict_")
    known = {name.removeprefix("DICT_").lower(): name for name in dir(cv2.aruco) if name.startswith("DICT_")}
    if wanted not in known:
        raise ValueError(f"there is no marker dictionary {parts[3]}.")
    dictionary, number = known[wanted].removeprefix("DICT_"), getattr(cv2.aruco, known[wanted])
    spec = BoardSpec(int(across), int(down), square_mm, marker_mm, dictionary, legacy=legacy)
    if spec.marker_count > len(cv2.aruco.getPredefinedDictionary(number).bytesList):
        raise ValueError(f"the dictionary {dictionary} has too few markers for it.")
    return spec


def board_text(spec: BoardSpec) -> str:
    """The text :func:`parse_board` reads."""
    text = f"{spec.squares_x}x{spec.squares_y},{spec.square_mm:g}mm,{spec.marker_mm:g}mm,{spec.dictionary}"
    return f"{text},legacy" if spec.legacy else text


@click.command()
@click.argument("photos", nargs=-1, required=True, metavar="PHOTOS...", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    required=True,
    metavar="PHONE.json",
    help="The phone profile to write. A picture of what was seen where is written beside it.",
)
@click.option(
    "--board",
    type=BoardType(),
    metavar="SPEC",
    help=f"Another printed board than the calibration sheet: squares across x down, square, marker, dictionary, for "
    f"example {BOARD_EXAMPLE}. Add ,legacy for boards printed by OpenCV before 4.6 with an even number of rows.",
)
def calibrate(photos: tuple[Path, ...], output: Path, board: BoardSpec | None) -> None:
    """Work out a phone's lens from 12 to 15 photos of the printed calibration sheet.

    Lay the sheet flat. Shoot it from near and far, the phone tilted 20 to 40 degrees to every side in turn and turned
    upright for some, so that the sheet has been in every corner of the picture. One phone, one lens, no zoom.
    """
    from rich.console import Console

    from sillwright.cards import CALIBRATION_SHEET
    from sillwright.job_photos import named_photos
    from sillwright.solve.determined import check_determined

    tell_of_repeats(photos)
    photos = named_photos(photos)
    picture = output.with_name(f"{output.stem}-coverage.png")
    check_file(output, ".json", "phone profile", _is_profile, "my-phone.json")
    if picture.exists() and any(photo.exists() and picture.samefile(photo) for photo in photos):
        raise click.UsageError(
            f"{picture} is one of the photos, and would be written over. Choose another name with -o."
        )
    console = Console()
    spec = board or CALIBRATION_SHEET
    with Console(stderr=True).status(f"Looking for the sheet in {len(photos)} photos"):
        looks = look_at(photos, spec)
    result, dropped = solve_looks(looks)
    for path, reason in dropped:
        console.print(f"Left out {path.name}: {reason}", markup=False, highlight=False)
    check_determined(result)
    facts = next(look.facts for look in looks if look.facts is not None and look.usable)
    with writing(output):
        _write(result, facts, spec, output, picture)
    _report(console, result, spec)
    click.echo(f'Wrote {output}, and {picture.name} beside it. Name it in job.toml: [camera] profile = "{output.name}"')


def _is_profile(path: Path) -> bool:
    from sillwright.errors import JobError
    from sillwright.profile import read_profile

    try:
        read_profile(path)
    except JobError:
        return False
    return True


@dataclass(frozen=True)
class Look:
    """One photo: its facts and the sheet in it, or why there is none."""

    path: Path
    facts: PhotoFacts | None
    sighting: BoardSighting | None
    fault: str = ""

    @property
    def usable(self) -> bool:
        """Whether the sheet was seen well enough."""
        return self.sighting is not None and not self.fault


def look_at(photos: tuple[Path, ...], spec: BoardSpec) -> list[Look]:
    """Find the sheet in each photo, two at a time; the same photo given twice counts once."""
    try:
        with ProcessPoolExecutor(PROCESSES, mp_context=get_context("spawn")) as pool:
            looks = list(pool.map(_look, photos, [spec] * len(photos)))
    except BrokenProcessPool as fault:
        raise PhotoError(
            "A photo could not be read and took the program with it, or memory ran out. Try fewer photos to find which."
        ) from fault
    first: dict[str, Path] = {}
    out = []
    for look in looks:
        if look.facts is not None and first.setdefault(look.facts.sha256, look.path) is not look.path:
            look = Look(look.path, look.facts, None, f"the same photo as {first[look.facts.sha256].name}.")
        out.append(look)
    return out


def _look(path: Path, spec: BoardSpec) -> Look:
    import cv2

    from sillwright.photo import read_facts, read_gray
    from sillwright.see.charuco import find_board

    cv2.setNumThreads(1)
    try:
        facts = read_facts(path)
        sighting = find_board(read_gray(path), spec)
    except PhotoError as fault:
        return Look(path, None, None, str(fault))
    if sighting is None:
        return Look(path, facts, None, "the sheet was not found in it.")
    if len(sighting.ids) < MIN_SHEET_CORNERS:
        return Look(path, facts, None, f"only {len(sighting.ids)} corners of the sheet can be seen.")
    return Look(path, facts, sighting)


def solve_looks(looks: list[Look]) -> tuple[Calibration, list[tuple[Path, str]]]:
    """The lens from the photos that show the sheet, and each photo left out with the reason.

    Raises PhotoError where not one could be read, CalibrationError where too few are left, or where they do not all
    come from one lens.
    """
    from sillwright.profile import prior_camera
    from sillwright.solve.calibrate import calibrate as solve
    from sillwright.solve.determined import check_one_lens, check_photo_count, misfits
    from sillwright.solve.lens_adjust import PlaneView

    dropped = [(look.path, look.fault) for look in looks if not look.usable]
    seen = [(look.path, look.facts, look.sighting) for look in looks if look.facts and look.sighting]
    reasons = "".join(f"\n  {path.name}: {reason}" for path, reason in dropped)
    if all(look.facts is None for look in looks):
        raise PhotoError(f"Not one photo could be read.{reasons}")
    try:
        check_photo_count(len(seen))
    except CalibrationError as fault:
        raise CalibrationError(f"{fault}{reasons and ' Left out:' + reasons}") from None
    check_one_lens([facts for _, facts, _ in seen])
    facts = seen[0][1]
    start, _ = prior_camera(facts.width_px, facts.height_px, facts.focal_35mm)
    views = [PlaneView(str(path), s.board_mm, s.corners_px, s.sigma_px) for path, _, s in seen]
    result = solve(views, facts.width_px, facts.height_px, start=start)
    bad = misfits(result)
    if bad:
        dropped += [(Path(name), "its corners fit far worse than the other photos'. Blurred?") for name in bad]
        views = [view for view in views if view.name not in bad]
        result = solve(views, facts.width_px, facts.height_px, start=start)
    return result, dropped


def _write(result: Calibration, facts: PhotoFacts, spec: BoardSpec, output: Path, picture: Path) -> None:
    from sillwright.profile import Lens, make_profile, write_profile
    from sillwright.tell.coverage import write_coverage

    profile = make_profile(
        Lens(result.camera, result.covariance),
        make=facts.make,
        model=facts.model,
        focal_35mm=facts.focal_35mm,
        rms_px=result.rms_px,
        photos=tuple(Path(view.name).name for view in result.views),
        made=date.today(),
        board=board_text(spec),
    )
    write_coverage(result, picture)
    write_profile(profile, output)


def _report(console: Console, result: Calibration, spec: BoardSpec) -> None:
    import numpy as np
    from rich.table import Table

    from sillwright.tell.coverage import coverage_words

    table = Table(title=f"Lens at {result.camera.width_px} x {result.camera.height_px} pixels")
    table.add_column("number")
    table.add_column("value", justify="right")
    table.add_column("+- (1 sd)", justify="right")
    table.add_column("what it is")
    for name, meaning in MEANINGS.items():
        places = 2 if name[0] in "fc" else 5
        table.add_row(name, f"{getattr(result.camera, name):.{places}f}", f"{result.sigma[name]:.{places}f}", meaning)
    console.print(table)
    count = sum(len(view.corners_px) for view in result.views)
    click.echo(f"{len(result.views)} photos, {count} corners, rms misfit {result.rms_px:.3f} pixels.")
    heights_mm = result.sheet.points_mm(spec.corners_mm())[:, 2]
    bow_mm = float(np.ptp(heights_mm))
    flatness = f"The sheet lay {bow_mm:.1f} mm off flat" + (
        "; tape it down flat and shoot again if you can." if bow_mm > BOWED_MM else "."
    )
    stretch = result.sheet.stretch
    longer = "down than across" if stretch > 0 else "across than down"
    click.echo(f"{flatness} Its print is {abs(stretch):.2%} longer {longer}.")
    click.echo(coverage_words(result))
