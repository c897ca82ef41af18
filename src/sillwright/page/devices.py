"""Who may use the page: devices that joined by a one-time code, each with a token that is kept only as its hash."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import sqlite3
from dataclasses import dataclass

from sillwright.page.refusal import Refusal
from sillwright.page.store import Store, reading, writing

CODE_LASTS_S = 600.0
MOST_CODES, MOST_DEVICES = 20, 100
LONGEST_NAME = 40
# Crockford's base 32: no letter that is taken for a digit. Twelve of them are 60 bits, too many to try at ten a minute.
_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_CODE_LETTERS = 12
_MISREAD = str.maketrans("OIL", "011")


@dataclass(frozen=True)
class Device:
    """One that joined. ``form_token`` goes into every form and request that changes something; ``person`` is who last
    gave a word on it, as they wrote their name."""

    number: int
    name: str
    laptop: bool
    form_token: str
    person: str = ""


def new_code(store: Store, now_s: float, *, laptop: bool = False) -> str:
    """A code that one device can join by, once, within ten minutes; the oldest fall away beyond twenty."""
    letters = "".join(secrets.choice(_ALPHABET) for _ in range(_CODE_LETTERS))
    with writing(store) as connection:
        connection.execute("DELETE FROM join_code WHERE expires_at < ?", (now_s,))
        connection.execute(
            "INSERT INTO join_code VALUES (?, ?, ?)", (_hashed(letters), int(laptop), now_s + CODE_LASTS_S)
        )
        connection.execute(
            "DELETE FROM join_code WHERE code_hash NOT IN (SELECT code_hash FROM join_code "
            "ORDER BY expires_at DESC LIMIT ?)",
            (MOST_CODES,),
        )
    return "-".join(letters[at : at + 4] for at in range(0, _CODE_LETTERS, 4))


def join(store: Store, code: str, name: str, now_s: float) -> str:
    """Use a code up; the token of the new device. Raises Refusal where the code is not one, used, or too old."""
    token = secrets.token_urlsafe(32)
    shown = plain_name(name)
    with writing(store) as connection:
        row = connection.execute(
            "DELETE FROM join_code WHERE code_hash = ? RETURNING laptop, expires_at", (_hashed(code),)
        ).fetchone()
        known = row is not None and row["expires_at"] >= now_s
        if known:
            connection.execute(
                "INSERT INTO device (name, token_hash, laptop, joined_at) VALUES (?, ?, ?, ?)",
                (shown, _hash(token), row["laptop"], now_s),
            )
            _forget_oldest(connection)
    if not known:
        raise Refusal(403, "code")
    return token


def device_of(store: Store, token: str | None) -> Device | None:
    """The device of a token; None for any other text."""
    if not token or len(token) > 100:
        return None
    with reading(store) as connection:
        row = connection.execute("SELECT * FROM device WHERE token_hash = ?", (_hash(token),)).fetchone()
    if row is None:
        return None
    return Device(row["id"], row["name"], bool(row["laptop"]), form_token_of(token), row["person"])


def keep_person(store: Store, device: Device, person: str) -> None:
    """Remember who gives words on a device, so that the name need not be written again."""
    if person != device.person:
        with writing(store) as connection:
            connection.execute("UPDATE device SET person = ? WHERE id = ?", (person, device.number))


def plain_name(text: str) -> str:
    """A name as it was written, without what cannot be printed, and not too long."""
    return "".join(letter for letter in text if letter.isprintable()).strip()[:LONGEST_NAME]


def form_token_of(token: str) -> str:
    """What a device's forms carry: it follows from the token, and the token does not follow from it."""
    return hmac.new(token.encode(), b"form", hashlib.sha256).hexdigest()


def joined_count(store: Store) -> int:
    """How many devices have joined, ever; it changes when a code was used."""
    with reading(store) as connection:
        return int(connection.execute("SELECT coalesce(max(id), 0) FROM device").fetchone()[0])


def _forget_oldest(connection: sqlite3.Connection) -> None:
    """Devices beyond the most there may be, but none with an upload under way."""
    connection.execute(
        "DELETE FROM device WHERE id NOT IN (SELECT id FROM device ORDER BY id DESC LIMIT ?) "
        "AND id NOT IN (SELECT device FROM upload)",
        (MOST_DEVICES,),
    )


def _hashed(code: str) -> str:
    """By what a code is known, however it was typed."""
    return _hash(re.sub(r"[^0-9A-Z]", "", code.upper()[:100]).translate(_MISREAD))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
