"""A log's state at one time, as RFC 9162 calls it a tree head, and Ed25519 signatures (RFC 8032) on it.

What is signed is TreeHeadDataV2 as RFC 9162, 4.10, lays it out: the time in milliseconds, the size and the root, and no
extensions. Heads are JSON files, so that a person can keep one elsewhere.
"""

from __future__ import annotations

import json
import struct
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Literal

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)
from pydantic import TypeAdapter

from sillwright.errors import ArchiveError, DamageError
from sillwright.whole_file import read_whole

HEAD_SCHEMA: Literal["sillwright-head-1"] = "sillwright-head-1"
_HOW = "openssl genpkey -algorithm ed25519 -out key.pem"


@dataclass(frozen=True)
class Signature:
    """One signature on a head; both in hexadecimal digits."""

    public_key: str
    signature: str


@dataclass(frozen=True)
class Head:
    """How many entries a log had, and the root over them in hexadecimal digits.

    timestamp_ms : since 1970 in UTC, by the clock of the computer that wrote it
    """

    tree_size: int
    root_hash: str
    timestamp_ms: int
    signatures: tuple[Signature, ...] = ()
    schema: Literal["sillwright-head-1"] = HEAD_SCHEMA

    @property
    def root(self) -> bytes:
        """The root as bytes."""
        return bytes.fromhex(self.root_hash)


def head_bytes(head: Head) -> bytes:
    """The content of a head's file."""
    return json.dumps(asdict(head), indent=1).encode() + b"\n"


def read_head(path: Path) -> Head:
    """A head from a file that somebody names. Raises DamageError where it is none."""
    try:
        content = read_whole(path)
    except OSError as fault:
        raise DamageError(
            f"{path} cannot be read ({fault.strerror}). Fetch it again from where it was kept."
        ) from fault
    return head_from(content, path)


def head_from(content: bytes, path: Path) -> Head:
    """A head from what stood in a file. Raises DamageError where it is none."""
    try:
        head = _adapter().validate_json(content)
        if len(head.root) != 32:
            raise ValueError("the root is not of SHA-256")
        if not (0 < head.tree_size < 2**64 and 0 <= head.timestamp_ms < 2**64):
            raise ValueError("a number is not what RFC 9162 has place for")
    except ValueError as fault:
        raise DamageError(f"{path} is no head of a log. Fetch it again from where it was kept.") from fault
    return head


def signed_bytes(head: Head) -> bytes:
    """TreeHeadDataV2 in TLS's presentation: two uint64, the root behind its length, an empty list of extensions."""
    return struct.pack(">QQB32sH", head.timestamp_ms, head.tree_size, 32, head.root, 0)


def sign(head: Head, key: Ed25519PrivateKey) -> Head:
    """The head with a signature by that key; as it is where it has one."""
    public_key = key.public_key().public_bytes_raw().hex()
    if any(one.public_key == public_key for one in head.signatures):
        return head
    signature = Signature(public_key, key.sign(signed_bytes(head)).hex())
    return replace(head, signatures=(*head.signatures, signature))


def false_signatures(head: Head) -> list[str]:
    """The public keys that the head says signed it and that did not."""
    return [one.public_key for one in head.signatures if not _holds(head, one)]


def signed_by(head: Head, key: Ed25519PublicKey) -> bool:
    """Whether the owner of this key signed the head."""
    raw = key.public_bytes_raw().hex()
    return any(one.public_key == raw and _holds(head, one) for one in head.signatures)


def public_pem(public_key: str) -> str:
    """A public key of a signature as PEM, which other programs read; empty where it is no key."""
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
    except ValueError:
        return ""
    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")


def _holds(head: Head, one: Signature) -> bool:
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(one.public_key))
        key.verify(bytes.fromhex(one.signature), signed_bytes(head))
    except (InvalidSignature, ValueError):
        return False
    return True


def read_private_key(path: Path) -> Ed25519PrivateKey:
    """An Ed25519 private key from a PEM file (PKCS #8). Raises ArchiveError where it is none, or wants a password."""
    try:
        key = load_pem_private_key(path.read_bytes(), password=None)
    except TypeError as fault:
        raise ArchiveError(f"{path} is locked with a password. Give a key without one.") from fault
    except (OSError, ValueError) as fault:
        raise ArchiveError(f"{path} is not a private key. Make one with {_HOW}") from fault
    if not isinstance(key, Ed25519PrivateKey):
        raise ArchiveError(f"{path} is a key of another kind than Ed25519. Make one with {_HOW}")
    return key


def read_public_key(path: Path) -> Ed25519PublicKey:
    """An Ed25519 public key from a PEM file. Raises ArchiveError where it is none."""
    try:
        key = load_pem_public_key(path.read_bytes())
    except (OSError, ValueError) as fault:
        raise ArchiveError(
            f"{path} is not a public key. Make it with openssl pkey -in key.pem -pubout -out public.pem"
        ) from fault
    if not isinstance(key, Ed25519PublicKey):
        raise ArchiveError(f"{path} is a key of another kind than Ed25519, which is what packages are signed with.")
    return key


@cache
def _adapter() -> TypeAdapter[Head]:
    return TypeAdapter(Head)
