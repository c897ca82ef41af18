"""Photos on their way from a phone: held in pieces aside, checked when whole, then moved into the run's folder.

An upload's bytes are the file of its id in ``pieces``; how many are held is that file's size, so that nothing else has
to agree with it after a kill. A photo stands in a run's folder whole and checked, or not at all.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from sillwright.errors import PhotoError
from sillwright.page import queue
from sillwright.page.folder import JobFolder, Place, job_named, landing, left_out_of, photos_of, place_of
from sillwright.page.looks import sha256_of
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store, reading, writing
from sillwright.photo import LARGEST_FILE_BYTES, read_facts, read_half
from sillwright.photo_bytes import sniff_format

MOST_PHOTOS_A_RUN = 200
# PNG and TIFF are unpacked whole before they are made smaller, at some 15 bytes a pixel; no phone stores photos so.
_UNPACKED, MOST_UNPACKED_PX = ("PNG", "TIFF"), 50_000_000
MOST_UNFINISHED, MOST_UNFINISHED_A_DEVICE = 400, 60
LEAST_FREE_BYTES = 500_000_000
STALE_S = 24 * 3600.0
LONGEST_PHONE_NAME = 80

# One photo is decoded at a time: the largest takes a third of a gigabyte. It also keeps names from being taken twice,
# by photos that come and photos that are taken out or put back.
finishing = threading.Lock()


@dataclass(frozen=True)
class Upload:
    """One photo under way. ``length`` in bytes; ``photo`` is where it stands, relative to its job, once it is kept."""

    id: str
    device: int
    job: str
    place: str
    phone_name: str
    length: int
    sha256: str | None
    state: Literal["receiving", "moving", "kept"]
    photo: str | None = None


@dataclass(frozen=True)
class Kept:
    """A photo that stands in its run; ``twice`` where it did so before, and was not kept again."""

    photo: str
    twice: bool


def begin(
    store: Store,
    device: int,
    job: JobFolder,
    place: Place,
    phone_name: str,
    length: int,
    sha256: str | None,
    now_s: float,
) -> Upload:
    """Open an upload, or go on with one that this device left off: the same file for the same place, by its SHA-256.

    ``sha256`` is what the phone says of the whole file, in hex, if it does.

    Raises Refusal where the file or the number of files is over a limit, or the disk is nearly full.
    """
    if not 0 < length <= LARGEST_FILE_BYTES:
        raise Refusal(413, "size", most=LARGEST_FILE_BYTES // 1_000_000)
    if len(photos_of(job, place)) >= MOST_PHOTOS_A_RUN:
        raise Refusal(409, "photos", most=MOST_PHOTOS_A_RUN)
    if shutil.disk_usage(store.pieces).free - length < LEAST_FREE_BYTES:
        raise Refusal(507, "disk")
    left_off = _left_off(store, device, job, place, length, sha256)
    if left_off is not None:
        return left_off
    shown = "".join(letter for letter in phone_name if letter.isprintable())[-LONGEST_PHONE_NAME:]
    upload = Upload(secrets.token_hex(16), device, job.name, place.key, shown, length, sha256, "receiving")
    with writing(store) as connection:
        (all_of_them, own) = connection.execute(
            "SELECT count(*), coalesce(sum(device = ?), 0) FROM upload WHERE state = 'receiving'", (device,)
        ).fetchone()
        if all_of_them >= MOST_UNFINISHED or own >= MOST_UNFINISHED_A_DEVICE:
            raise Refusal(429, "unfinished", most=MOST_UNFINISHED_A_DEVICE)
        connection.execute(
            "INSERT INTO upload VALUES (?, ?, ?, ?, ?, ?, ?, 'receiving', NULL, ?)",
            (upload.id, device, job.name, place.key, shown, length, sha256, now_s),
        )
    piece_of(store, upload).touch(mode=0o600)
    return upload


def _left_off(
    store: Store, device: int, job: JobFolder, place: Place, length: int, sha256: str | None
) -> Upload | None:
    with reading(store) as connection:
        row = connection.execute(
            "SELECT id FROM upload WHERE device = ? AND job = ? AND place = ? AND length = ? AND sha256 = ? "
            "AND state = 'receiving'",
            (device, job.name, place.key, length, sha256),
        ).fetchone()
    return None if row is None else find(store, row["id"], device)


def find(store: Store, upload_id: str, device: int) -> Upload:
    """A device's own upload. Raises Refusal for any other, as if it were not there."""
    with reading(store) as connection:
        row = connection.execute("SELECT * FROM upload WHERE id = ? AND device = ?", (upload_id, device)).fetchone()
    if row is None:
        raise Refusal(404, "no_upload")
    names = Upload.__dataclass_fields__
    return Upload(**{name: row[name] for name in names})


def piece_of(store: Store, upload: Upload) -> Path:
    """Where its bytes are held; the id was made here."""
    return store.pieces / upload.id


def offset_of(store: Store, upload: Upload) -> int:
    """How many bytes are held."""
    if upload.state != "receiving":
        return upload.length
    try:
        return piece_of(store, upload).stat().st_size
    except FileNotFoundError:
        return 0


def drop(store: Store, upload: Upload) -> None:
    """Forget an upload and its bytes."""
    piece_of(store, upload).unlink(missing_ok=True)
    with reading(store) as connection:
        connection.execute("DELETE FROM upload WHERE id = ?", (upload.id,))


def finish(store: Store, upload: Upload) -> Kept:
    """Check a whole upload, move it into its run, and have it looked at.

    Raises Refusal where the bytes are not what the phone said (to be sent again from the start), or are no photo; the
    upload is then gone.
    """
    with finishing:
        upload = find(store, upload.id, upload.device)
        if upload.state == "kept":
            return Kept(upload.photo or "", twice=False)
        piece = piece_of(store, upload)
        if offset_of(store, upload) != upload.length:
            raise Refusal(409, "short", offset=offset_of(store, upload))
        try:
            sha256, kind = _checked(piece, upload)
            job = job_named(store.folder, upload.job)
            place = place_of(job, upload.place)
            left_out = _same(store, left_out_of(job, place), sha256, upload.length)
            if left_out is not None:
                raise Refusal(409, "left_out", photo=left_out.name)
            photo = _same(store, photos_of(job, place), sha256, upload.length)
            if photo is None and len(photos_of(job, place)) >= MOST_PHOTOS_A_RUN:
                raise Refusal(409, "photos", most=MOST_PHOTOS_A_RUN)
            target = landing(job, place, upload.phone_name, kind) if photo is None else photo
        except Refusal:
            drop(store, upload)
            raise
        upload = replace(upload, sha256=sha256, photo=target.relative_to(job.path.resolve()).as_posix())
        if photo is None:
            _set_state(store, upload, "moving")
            try:
                _move(piece, target)
            except OSError as fault:
                _set_state(store, replace(upload, photo=None), "receiving")
                raise Refusal(507, "disk") from fault
        else:
            piece.unlink()
        _settle(store, upload)
        return Kept(upload.photo or "", twice=photo is not None)


def recover(store: Store) -> None:
    """After a kill: every photo that was on its way into a run is settled there, or is still under way."""
    with reading(store) as connection:
        rows = connection.execute("SELECT id, device FROM upload WHERE state = 'moving'").fetchall()
    for row in rows:
        upload = find(store, row["id"], row["device"])
        target = store.folder / upload.job / (upload.photo or "")
        if not piece_of(store, upload).exists() and target.is_file():
            _settle(store, upload)
        else:
            _set_state(store, replace(upload, photo=None), "receiving")


def sweep(store: Store, now_s: float) -> None:
    """Take away uploads nobody went on with for a day: a piece says by its file when it last grew."""
    with writing(store) as connection:
        rows = connection.execute("SELECT id, begun_at FROM upload WHERE state <> 'moving'").fetchall()
        young = set()
        for row in rows:
            piece = store.pieces / row["id"]
            grown_s = piece.stat().st_mtime if piece.exists() else row["begun_at"]
            if grown_s < now_s - STALE_S:
                connection.execute("DELETE FROM upload WHERE id = ?", (row["id"],))
            else:
                young.add(row["id"])
        moving = {row["id"] for row in connection.execute("SELECT id FROM upload WHERE state = 'moving'")}
        for piece in store.pieces.iterdir():
            if piece.name not in young | moving and piece.stat().st_mtime < now_s - STALE_S:
                piece.unlink()


def _checked(piece: Path, upload: Upload) -> tuple[str, str]:
    """The SHA-256 and the format of a whole photo that can be decoded."""
    with piece.open("rb") as stream:
        sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
        stream.seek(0)
        kind = sniff_format(stream.read(32))
    if upload.sha256 is not None and upload.sha256 != sha256:
        raise Refusal(422, "digest")
    name = upload.phone_name or "photo"
    try:
        facts = read_facts(piece)
        if kind in _UNPACKED and facts.width_px * facts.height_px > MOST_UNPACKED_PX:
            raise Refusal(415, "unpacked", most=MOST_UNPACKED_PX // 1_000_000)
        read_half(piece)
    except PhotoError as fault:
        raise Refusal(415, "photo", said=str(fault).replace(str(piece), name)) from fault
    assert kind is not None
    return sha256, kind


def _same(store: Store, photos: Sequence[Path], sha256: str, length: int) -> Path | None:
    """The photo that is the same file, if there is one."""
    for photo in photos:
        if photo.stat().st_size == length and sha256_of(store, photo) == sha256:
            return photo
    return None


def _move(piece: Path, target: Path) -> None:
    """Into the run's folder in one step, kept by the disk before and after."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with piece.open("rb") as stream:
        os.fsync(stream.fileno())
    piece.chmod(0o644)
    piece.rename(target)
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _set_state(store: Store, upload: Upload, state: str) -> None:
    with reading(store) as connection:
        connection.execute(
            "UPDATE upload SET state = ?, photo = ?, sha256 = ? WHERE id = ?",
            (state, upload.photo, upload.sha256, upload.id),
        )


def _settle(store: Store, upload: Upload) -> None:
    """The photo stands in its run: say so, and have it looked at."""
    _set_state(store, upload, "kept")
    queue.ask(store, "look", upload.job, look_subject(upload.place, upload.photo or ""))


def look_subject(place: str, photo: str) -> str:
    """What a look is asked for: the place's key, which has no slash, and the photo."""
    return f"{place}/{photo}"
