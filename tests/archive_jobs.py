"""Small jobs for tests of the archive: a folder of tiny photos, and the results a measurement could have left of it.

Nothing is measured: records are made up, photos are single-coloured, with EXIF that tells a day, a place and a serial.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
from PIL import Image
from PIL.ExifTags import IFD, Base

from judge_runs import a_bolt
from sillwright.archive.audit import Audit, faults_of
from sillwright.archive.catalogue import catalogue, refresh
from sillwright.archive.contents import Contents, read_contents
from sillwright.archive.keep import keep
from sillwright.archive.seal import Sealed
from sillwright.archive.store import Store, make_store
from sillwright.camera import Camera
from sillwright.job import load_job
from sillwright.profile import Lens, Profile, make_profile, write_profile
from sillwright.sums import MEASURED, sha256_of, sums_bytes, sums_of
from sillwright.survey import BoltRecord, CardRecord, PhotoRecord, RunRecord, Survey
from sillwright.survey_file import write_survey

TAKEN = "2026:05:22 14:03:07"
SERIAL = "SERIAL-31415926"
LATITUDE = ((40.0, 26.0, 46.0), "N")
LONGITUDE = ((79.0, 58.0, 56.0), "W")
LATITUDE_DEG, LONGITUDE_DEG = 40.0 + 26.0 / 60.0 + 46.0 / 3600.0, -(79.0 + 58.0 / 60.0 + 56.0 / 3600.0)


@dataclass(frozen=True)
class SmallJob:
    """A job's folder, and the folder with its results."""

    folder: Path
    out: Path

    @property
    def photos(self) -> list[Path]:
        return sorted(self.folder.rglob("*.jpg"))

    def contents(self) -> Contents:
        return read_contents(self.out, self.folder, self.folder)


def tiny_photo(path: Path, shade: int = 90, taken: str = TAKEN) -> None:
    """A JPEG of 32 x 24 pixels that tells when and where it was taken and by which camera."""
    exif = Image.Exif()
    exif[Base.Make], exif[Base.Model] = "Phone", "P1"
    exif.get_ifd(IFD.Exif)[Base.DateTimeOriginal] = taken
    exif.get_ifd(IFD.Exif)[Base.BodySerialNumber] = SERIAL
    place = exif.get_ifd(IFD.GPSInfo)
    place[1], place[2], place[3], place[4] = LATITUDE[1], LATITUDE[0], LONGITUDE[1], LONGITUDE[0]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (32, 24), (shade, shade, shade)).save(path, "JPEG", exif=exif)


def a_job(
    folder: Path,
    name: str = "Lot 7, garage",
    photos: Sequence[str] = ("IMG_1.jpg", "IMG_2.jpg"),
    bolts: Sequence[BoltRecord] = (a_bolt("N1"), a_bolt("N2", 1200.0, status="check")),
    profile: str = "",
    shade: int = 90,
) -> SmallJob:
    """A job of one run, measured: its photos in ``folder/site/job``, its results in ``folder/out``.

    profile : as the job file names it; a file is put there
    """
    job, out = folder / "site" / "job", folder / "out"
    job.mkdir(parents=True)
    for count, photo in enumerate(photos):
        tiny_photo(job / photo, shade + count)
    camera = f'[camera]\nprofile = "{profile}"\n' if profile else ""
    if profile and not Path(profile).is_absolute():
        (job / profile).parent.mkdir(parents=True, exist_ok=True)
        write_profile(a_profile(), job / profile)
    text = f'name = "{name}"\n{camera}\n[[run]]\nname = "north"\nphotos = ["**/*.jpg"]\n'
    (job / "job.toml").write_text(text, encoding="utf-8")
    out.mkdir()
    (out / "job.toml").write_text(text, encoding="utf-8")
    write_survey(a_record(job, name, photos, bolts, profile), out / "survey.json")
    (out / "report.html").write_text("<p>report</p>", encoding="utf-8")
    (out / "pictures").mkdir()
    (out / "pictures" / "run-north.jpg").write_bytes(b"picture")
    list_sums(out)
    return SmallJob(job, out)


def a_profile(fx_px: float = 3148.6) -> Profile:
    """A profile that could be a phone's."""
    camera = Camera(4032, 3024, fx_px, 3146.9, 2027.8, 1498.3, 0.0481, -0.0712, 0.00042, -0.00031, 0.0118)
    lens = Lens(camera, np.diag(np.array([0.6, 0.7, 0.3, 0.25, 3e-4, 1.5e-3, 2e-5, 3e-5, 2e-3]) ** 2))
    return make_profile(
        lens, make="Phone", model="P1", focal_35mm=26.0, rms_px=0.2, photos=("a.jpg",), made=date(2026, 5, 1), board=""
    )


def list_sums(out: Path) -> None:
    """Leave the list of checksums that measure leaves."""
    names = [out / "survey.json", *sorted(out.glob("report.*")), *sorted((out / "pictures").iterdir())]
    (out / MEASURED).write_bytes(sums_bytes(sums_of(out, names)))


def a_record(job: Path, name: str, photos: Sequence[str], bolts: Sequence[BoltRecord], profile: str = "") -> Survey:
    bolts = tuple(replace(bolt, photos=(photos[0],)) for bolt in bolts)
    run = RunRecord("north", "check", (), bolts, (CardRecord(1, 0.0, 30.0, 0.0),))
    records = tuple(
        PhotoRecord(photo, True, "ok", sha256=hashlib.sha256((job / photo).read_bytes()).hexdigest())
        for photo in photos
    )
    return Survey(
        name,
        (run,),
        (),
        records,
        software="sillwright 0.1.0",
        made_from="photos",
        measured_with=load_job(job / "job.toml").measured_parts,
        libraries={"numpy": "2.4.6"},
        profile_sha256=sha256_of(job / profile) if profile else "",
    )


def sealed(store: Path, job: SmallJob, signed_off: str = "", lot: str = "") -> tuple[Store, Sealed]:
    """Seal a job as the command does."""
    contents, made = job.contents(), make_store(store)
    return made, keep(made, contents, signed_off=signed_off, lot=lot).sealed


def let_write(store: Store) -> None:
    """Give back the right to write, to do harm with."""
    for path in store.packages.rglob("*"):
        if path.is_file():
            path.chmod(0o644)


def sealed_to_harm(folder: Path) -> Store:
    """A store with one package in it, which may be written in."""
    made, _ = sealed(folder / "store", a_job(folder / "jobs"))
    let_write(made)
    return made


def told(audit: Audit) -> set[tuple[str, str]]:
    return {(fault.kind, fault.path) for _, fault in faults_of(audit)}


def make_manifests_again(package: Path) -> None:
    """As one would who changes a file and wants it not to show."""
    for kind in ("manifest", "tagmanifest"):
        for algorithm in ("sha256", "sha512"):
            path = package / f"{kind}-{algorithm}.txt"
            lines = [line.split("  ", 1)[1] for line in path.read_text().splitlines()]
            digests = [hashlib.new(algorithm, (package / name).read_bytes()).hexdigest() for name in lines]
            path.write_text("".join(f"{one}  {name}\n" for one, name in zip(digests, lines, strict=True)))


TABLES = ("package", "run", "bolt", "broken", "reason", "thumbnail")


def catalogue_now(store: Store) -> None:
    """Bring the catalogue in step, as the commands do."""
    with catalogue(store) as connection:
        refresh(connection, store)


def dump(store: Store) -> dict[str, list[tuple[object, ...]]]:
    """All rows, without the numbers that packages happen to have."""
    with catalogue(store) as connection:
        names = dict(connection.execute("SELECT id, name FROM package"))
        out = {"package": sorted(row[1:] for row in connection.execute("SELECT * FROM package"))}
        for table in TABLES[1:]:
            out[table] = sorted((names[row[0]], *row[1:]) for row in connection.execute(f"SELECT * FROM {table}"))
        return out
