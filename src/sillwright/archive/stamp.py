"""A time-stamp token of RFC 3161 that somebody obtained elsewhere, checked without a network.

The token is over a package's ``tagmanifest-sha256.txt``, which has the checksums of all the rest, and is kept as it
came, in DER, outside of the package: the package does not change when it gets one. A token shows that these bytes were
there at a time, as far as who reads it trusts the authority that signed it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from cryptography import x509
from rfc3161_client import VerificationError, VerifierBuilder, decode_timestamp_response

from sillwright.errors import ArchiveError, DamageError

STAMPED = "tagmanifest-sha256.txt"
_LARGEST_TOKEN = 1_000_000  # bytes; real ones have 2 to 7 kB
_CERTIFICATES = 0xA0  # the tag of SignedData's certificates, [0] IMPLICIT
_HASHES = {
    "2.16.840.1.101.3.4.2.1": hashlib.sha256,
    "2.16.840.1.101.3.4.2.2": hashlib.sha384,
    "2.16.840.1.101.3.4.2.3": hashlib.sha512,
}


@dataclass(frozen=True)
class Stamp:
    """When the authority says it saw the package; ``trusted`` where its signature leads to a given root."""

    at: datetime
    trusted: bool


def check_token(token: Path, package: Path, roots: Sequence[x509.Certificate] = ()) -> Stamp:
    """Read a time-stamp response and hold it against a package.

    roots : the authority's root certificates (and those between, where the token does not bring them); without them
    only the token's imprint is checked, and nobody's word is taken for the time
    Raises DamageError where it is no token, is over other bytes, or its signature does not lead to a root.
    """
    try:
        if token.stat().st_size > _LARGEST_TOKEN:
            raise ValueError("too large")
        answer = decode_timestamp_response(_in_order(token.read_bytes()))
        imprint = answer.tst_info.message_imprint
        at = answer.tst_info.gen_time
    except (OSError, ValueError) as fault:
        raise DamageError("cannot be read as a time-stamp response of RFC 3161") from fault
    content = (package / STAMPED).read_bytes()
    hashed = _HASHES.get(imprint.hash_algorithm.dotted_string)
    if hashed is None:
        raise DamageError("is over a hash that is not SHA-256, SHA-384 or SHA-512")
    if hashed(content).digest() != imprint.message:
        raise DamageError(f"is not over this package's {STAMPED}")
    if not roots:
        return Stamp(at, trusted=False)
    try:
        builder = VerifierBuilder()
        for root in roots:
            builder = builder.add_root_certificate(root)
        builder.build().verify_message(answer, content)
    except (VerificationError, ValueError) as fault:
        raise DamageError(f"is not signed as the certificates given want it ({fault})") from fault
    return Stamp(at, trusted=True)


def _in_order(token: bytes) -> bytes:
    """The same token with its certificates in DER's order (X.690, 11.6), which the library insists on.

    CMS asks for no order there (RFC 5652, 5.1), and authorities that use openssl keep none. No signature covers it.
    """
    at = _inside(token, 0)[0]  # into the response
    at = _inside(token, at)[1]  # over its status
    at = _inside(token, at)[0]  # into the token
    at = _inside(token, at)[1]  # over the kind of its content
    at = _inside(token, at)[0]  # into that content, [0]
    at, end = _inside(token, at)  # into SignedData
    for _ in range(3):  # version, digest algorithms, content
        at = _inside(token, at)[1]
    if at >= end or token[at] != _CERTIFICATES:
        return token
    start, end = _inside(token, at)
    parts, at = [], start
    while at < end:
        after = _inside(token, at)[1]
        parts.append(token[at:after])
        at = after
    return token[:start] + b"".join(sorted(parts)) + token[end:]


def _inside(der: bytes, at: int) -> tuple[int, int]:
    """Where the content of the value at a place begins and ends. Raises ValueError where it does not fit in."""
    if at + 2 > len(der):
        raise ValueError("cut short")
    length, start = der[at + 1], at + 2
    if length & 0x80:
        many = length & 0x7F
        length, start = int.from_bytes(der[start : start + many]), start + many
    if start + length > len(der):
        raise ValueError("cut short")
    return start, start + length


def read_roots(path: Path) -> list[x509.Certificate]:
    """Certificates from a PEM file. Raises ArchiveError where there is none."""
    try:
        return x509.load_pem_x509_certificates(path.read_bytes())
    except (OSError, ValueError) as fault:
        raise ArchiveError(
            f"{path} holds no certificate in PEM form. Ask the time-stamp authority for its root."
        ) from fault
