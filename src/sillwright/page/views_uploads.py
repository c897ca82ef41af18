"""Photos sent in pieces, as the IETF draft on resumable uploads has it (draft-ietf-httpbis-resumable-upload).

POST opens an upload (``Upload-Length``) and may carry its first bytes; HEAD says how many are held (``Upload-Offset``);
PATCH appends at that offset, with ``Upload-Complete: ?1`` on the last piece; DELETE drops it. ``Repr-Digest`` may give
the SHA-256 of the whole (RFC 9530). Bytes that came before a connection broke are kept.
"""

from __future__ import annotations

import base64
import binascii
import re
from typing import BinaryIO
from urllib.parse import unquote

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from sillwright.page import uploads
from sillwright.page.folder import job_named, place_of
from sillwright.page.refusal import Refusal
from sillwright.page.safety import FORM_TOKEN_HEADER, check_form_token
from sillwright.page.uploads import Upload
from sillwright.page.views import device_asking, off_the_loop, page_of, words_for
from sillwright.photo import LARGEST_FILE_BYTES

LARGEST_PIECE_BYTES = LARGEST_FILE_BYTES
_LIMITS = f"max-size={LARGEST_FILE_BYTES}, max-age={int(uploads.STALE_S)}"
_DIGITS = re.compile(r"\d{1,12}")

# Who writes to an upload: the request that came last. One whose phone has lost the Wi-Fi may hang for minutes, and
# must neither keep the next one out nor write after it.
_writers: dict[str, object] = {}


async def upload_begun(request: Request) -> Response:
    """Open an upload, and take what bytes come with it."""
    device = _checked_device(request)
    page = page_of(request)
    length, sha256 = _number(request, "upload-length"), _told_sha256(request)
    name = _told_name(request)

    def begin() -> Upload:
        job = job_named(page.store.folder, request.path_params["job"])
        place = place_of(job, request.path_params["place"])
        return uploads.begin(page.store, device, job, place, name, length, sha256, page.clock())

    upload = await off_the_loop(begin)
    held = uploads.offset_of(page.store, upload)
    # One that was left off goes on where it was; what came with this request would be the file's first bytes.
    answer = Response(headers=_state(held, upload)) if held else await _append(request, upload, 0)
    answer.status_code = 201
    answer.headers["location"] = f"/uploads/{upload.id}"
    answer.headers["upload-limit"] = _LIMITS
    return answer


async def upload_at(request: Request) -> Response:
    """One upload: ask how far it is, go on with it, or drop it."""
    device = device_asking(request).number if request.method == "HEAD" else _checked_device(request)
    page = page_of(request)
    upload = await off_the_loop(uploads.find, page.store, request.path_params["upload"], device)
    if request.method == "PATCH":
        return await _append(request, upload, _number(request, "upload-offset"))
    _writers.pop(upload.id, None)  # an older request must not write behind the answer
    if request.method == "DELETE":
        await off_the_loop(uploads.drop, page.store, upload)
        return Response(status_code=204)
    return Response(status_code=204, headers=_state(uploads.offset_of(page.store, upload), upload))


async def _append(request: Request, upload: Upload, offset: int) -> Response:
    """Take the request's bytes in at ``offset``, and finish the upload where they are said to be the last."""
    page = page_of(request)
    complete = request.headers.get("upload-complete", "?0").strip()
    if complete not in ("?0", "?1"):
        raise Refusal(400, "header", name="Upload-Complete")
    held = uploads.offset_of(page.store, upload)
    if offset != held:
        raise Refusal(409, "offset", offset=held)
    mine = _writers[upload.id] = object()
    try:
        if upload.state == "receiving":
            with uploads.piece_of(page.store, upload).open("ab") as stream:
                await _write(request, upload, mine, stream, held)
    except OSError as fault:
        raise Refusal(507, "disk") from fault
    finally:
        if _writers.get(upload.id) is mine:
            del _writers[upload.id]
    held = uploads.offset_of(page.store, upload)
    if complete != "?1":
        return Response(status_code=204, headers=_state(held, upload))
    kept = await off_the_loop(uploads.finish, page.store, upload)
    words = words_for(request)
    said = words("run.twice" if kept.twice else "run.kept", photo=kept.photo)
    headers = {"upload-complete": "?1", "upload-offset": str(upload.length)}
    return JSONResponse({"photo": kept.photo, "twice": kept.twice, "said": said}, headers=headers)


async def _write(request: Request, upload: Upload, mine: object, stream: BinaryIO, held: int) -> None:
    """Append what comes, unless another request has taken over; never more than the photo's length.

    Nothing is awaited between the question who writes and the writing, so that no two write at once.
    """
    try:
        async for piece in request.stream():
            if _writers.get(upload.id) is not mine:
                raise Refusal(409, "taken_over")
            held += len(piece)
            if held > upload.length:
                raise Refusal(413, "too_much", offset=held - len(piece))
            stream.write(piece)
            stream.flush()
    except ClientDisconnect:
        return


def _checked_device(request: Request) -> int:
    device = device_asking(request)
    check_form_token(device, request.headers.get(FORM_TOKEN_HEADER))
    return device.number


def _state(held: int, upload: Upload) -> dict[str, str]:
    return {
        "upload-offset": str(held),
        "upload-length": str(upload.length),
        "upload-complete": "?1" if upload.state == "kept" else "?0",
        "upload-limit": _LIMITS,
    }


def _number(request: Request, header: str) -> int:
    """A whole number of a header, as structured fields write it (RFC 9651); no sign, no fraction."""
    value = request.headers.get(header, "").strip()
    if not _DIGITS.fullmatch(value):
        raise Refusal(400, "header", name=header.title())
    return int(value)


def _told_sha256(request: Request) -> str | None:
    """The SHA-256 of ``Repr-Digest``, in hex; None where the phone gives none."""
    value = request.headers.get("repr-digest")
    if value is None:
        return None
    found = re.search(r"sha-256=:([A-Za-z0-9+/]{43}=):", value[:1000])
    try:
        return base64.b64decode(found[1], validate=True).hex() if found else None
    except binascii.Error:
        return None


def _told_name(request: Request) -> str:
    """What the phone calls the file, by ``Content-Disposition`` (RFC 6266, RFC 8187): shown, and its number kept."""
    value = request.headers.get("content-disposition", "")[:1000]
    extended = re.search(r"filename\*=UTF-8''([^;\s]+)", value, re.IGNORECASE)
    plain = re.search(r'filename="([^"]*)"', value)
    return unquote(extended[1], errors="replace") if extended else plain[1] if plain else ""
