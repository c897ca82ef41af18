"""A whole report in a folder: the sheet as HTML and PDF, and every picture, made from a survey and its photos."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import cv2

from sillwright.errors import PhotoError, SillwrightError
from sillwright.job import Job
from sillwright.photo import Pixels, fitted, read_facts, read_pixels
from sillwright.sums import MEASURED
from sillwright.survey import PhotoRecord, RunRecord, Survey
from sillwright.tell.cardsheet import Paper
from sillwright.tell.pictures import annotated_photo
from sillwright.tell.sheet_html import Picture, SheetPictures, sheet_html
from sillwright.tell.sheet_pdf import sheet_pdf
from sillwright.tell.strip_marks import run_strip
from sillwright.whole_file import write_aside

PICTURE_FOLDER = "pictures"
_LONGEST_NAME = 60
_FULL_QUALITY, _PAGE_QUALITY = 88, 74
_PAGE_PHOTO_PX = 1100  # in the page itself pictures are small, so that it can be sent by mail
_PAGE_STRIP_PX = 3600


@dataclass(frozen=True)
class ReportPaths:
    """What was written."""

    html: Path
    pdf: Path
    strips: tuple[Path, ...]
    photos: tuple[Path, ...]

    @property
    def every(self) -> list[Path]:
        """All that was written."""
        return [self.html, self.pdf, *self.strips, *self.photos]


def write_report(
    survey: Survey, out_dir: Path, photo_root: Path, *, made_on: date | None = None, paper: Paper = "letter"
) -> ReportPaths:
    """Write report.html, report.pdf and pictures/ into ``out_dir``; each file appears whole or not at all.

    ``photo_root`` is the folder the photos' names are relative to. A photo that is missing, damaged, or not the file
    that was measured has no picture, and the page says so. One photo is held in memory at a time.
    """
    made_on = made_on or date.today()
    load = checked_loader(survey, photo_root)
    photo_paths, run_paths = picture_paths(
        out_dir, [photo.file for photo in survey.photos], [run.name for run in survey.runs]
    )
    photos: dict[str, Picture] = {}
    strips: dict[str, Picture] = {}
    written: dict[str, Path] = {}
    for photo in survey.photos:
        path = photo_paths[photo.file]
        picture = _photo_picture(survey, photo, load, path)
        if picture is not None:
            photos[photo.file], written[photo.file] = picture, path
    strip_paths = []
    for run in survey.runs:
        path = run_paths[run.name]
        strip = _strip_picture(survey, run, load, path)
        if strip is not None:
            strips[run.name] = strip
            strip_paths.append(path)
    html_path, pdf_path = sheet_paths(out_dir)
    write_aside(pdf_path, sheet_pdf(survey, made_on, paper))
    write_aside(html_path, sheet_html(survey, made_on, SheetPictures(strips, photos)).encode("utf-8", "replace"))
    return ReportPaths(html_path, pdf_path, tuple(strip_paths), tuple(written.values()))


def result_paths(job: Job, out_dir: Path) -> list[Path]:
    """Every file that measuring a job writes of its own: the record, the sheets, a picture of each photo and run."""
    pictures, strips = picture_paths(out_dir, [job.file_name(p) for p in job.photos], [run.name for run in job.runs])
    return [out_dir / "survey.json", out_dir / MEASURED, *sheet_paths(out_dir), *pictures.values(), *strips.values()]


def sheet_paths(out_dir: Path) -> tuple[Path, Path]:
    """Where the page and the PDF go."""
    return out_dir / "report.html", out_dir / "report.pdf"


def picture_paths(out_dir: Path, photos: Sequence[str], runs: Sequence[str]) -> tuple[dict[str, Path], dict[str, Path]]:
    """Where the picture of each photo, and of each run, goes; by the names the survey gives them, in its order."""
    folder = out_dir / PICTURE_FOLDER
    return (
        {file: folder / f"photo-{name}.jpg" for file, name in file_names(photos).items()},
        {run: folder / f"run-{name}.jpg" for run, name in file_names(runs).items()},
    )


def checked_loader(survey: Survey, photo_root: Path) -> Callable[[str], Pixels]:
    """A function from a photo's ``file`` to its stored pixels, with a PhotoError for any but the measured file."""
    known = {photo.file: photo.sha256 for photo in survey.photos}

    def load(file: str) -> Pixels:
        path = photo_root / file
        if known.get(file) and read_facts(path).sha256 != known[file]:
            raise PhotoError(f"{path} is not the photo that was measured. Put the measured one back.")
        return read_pixels(path)

    return load


def file_names(names: Sequence[str]) -> dict[str, str]:
    """A safe, short and different file name for each name, whatever is in it; the same each time."""
    made: dict[str, str] = {}
    taken: set[str] = set()
    for name in dict.fromkeys(names):
        stem = name.rsplit(".", 1)[0] if re.search(r"\.[A-Za-z0-9]{1,5}$", name) else name
        plain = re.sub(r"[^A-Za-z0-9_]+", "-", stem).strip("-")[:_LONGEST_NAME] or "unnamed"
        numbered, count = plain, 2
        while numbered.lower() in taken:  # some disks do not tell large letters from small
            numbered, count = f"{plain}-{count}", count + 1
        taken.add(numbered.lower())
        made[name] = numbered
    return made


def _photo_picture(survey: Survey, photo: PhotoRecord, load: Callable[[str], Pixels], path: Path) -> Picture | None:
    try:
        drawn = annotated_photo(survey, photo, load(photo.file))
    except SillwrightError:
        return None
    return _kept(drawn, path, _PAGE_PHOTO_PX)


def _strip_picture(survey: Survey, run: RunRecord, load: Callable[[str], Pixels], path: Path) -> Picture | None:
    if not any(view.run == run.name for photo in survey.photos if photo.used for view in photo.views):
        return None
    return _kept(run_strip(survey, run, load), path, _PAGE_STRIP_PX)


def _kept(drawn: Pixels, path: Path, page_px: int) -> Picture:
    """Write the full picture; the small one goes into the page, with a link to the full one."""
    write_aside(path, jpeg(drawn, _FULL_QUALITY))
    return Picture(jpeg(fitted(drawn, page_px), _PAGE_QUALITY), f"{PICTURE_FOLDER}/{path.name}")


def jpeg(pixels: Pixels, quality: int) -> bytes:
    """A picture as the bytes of a JPEG file."""
    done, coded = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert done
    return bytes(coded)
