"""A time-stamp token of RFC 3161 that somebody obtained elsewhere, checked without a network.

The token is over a package's ``tagmanifest-sha256.txt``, which has the checksums of all the rest, and is kept as it
came, in DER, outside of the package: the package does not change when it gets one. A token shows that these bytes were
there at a time, as far as who reads it trusts the authority that signed it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from cryptography import x509
from rfc3161_client import TimeStampResponse, VerifierBuilder, decode_timestamp_response

from sillwright.archive.package import read_inside, read_plain
from sillwright.errors import ArchiveError, DamageError

STAMPED = "tagmanifest-sha256.txt"
_LARGEST_TOKEN = 1_000_000  # bytes; real ones have 2 to 7 kB
_KIND = b"\x06"  # the tag of an object identifier: a token begins with its kind, a response with its status
_GRANTED = b"\x30\x03\x02\x01\x00"
_CERTIFICATES = 0xA0  # the tag of SignedData's certificates, [0] IMPLICIT
_HASHES = {
    "2.16.840.1.101.3.4.2.1": hashlib.sha256,
    "2.16.840.1.101.3.4.2.2": hashlib.sha384,
    "2.16.840.1.101.3.4.2.3": hashlib.sha512,
}


@dataclass(frozen=True)
class Stamp:
    """When the authority says it saw the package, in UTC; ``trusted`` where its signature leads to a given root.

    authority : the name in its certificate (RFC 4514); empty where the token brings none
    """

    at: datetime
    trusted: bool
    authority: str = ""


def check_token(token: Path, package: Path, roots: Sequence[x509.Certificate] = ()) -> Stamp:
    """Read a time-stamp response, or the bare token out of one, and hold it against a package.

    roots : the authority's root certificates (and its own and those between, where the token does not bring them);
    without them only the token's imprint is checked, and nobody's word is taken for the time
    Raises DamageError where it is no token, is over other bytes, or its signature does not lead to a root.
    """
    try:
        if token.lstat().st_size > _LARGEST_TOKEN:
            raise ValueError("too large")
        answer = decode_timestamp_response(_in_order(_as_response(read_plain(token))))
        imprint, at = answer.tst_info.message_imprint, answer.tst_info.gen_time
        hashed, printed = _HASHES.get(imprint.hash_algorithm.dotted_string), imprint.message
        brought = [x509.load_der_x509_certificate(one) for one in answer.signed_data.certificates]
        own = _signer(answer, [*brought, *roots])
        name = "" if own is None else own.subject.rfc4514_string()
    except Exception as fault:  # the libraries raise almost anything on damaged DER, some of it late
        raise DamageError(
            "cannot be read as a time-stamp response of RFC 3161, nor as the token out of one, in DER. Put the file "
            "there as the authority sent it"
        ) from fault
    content = read_inside(package, STAMPED)
    if hashed is None:
        raise DamageError("is over a hash that is not SHA-256, SHA-384 or SHA-512")
    if hashed(content).digest() != printed:
        raise DamageError(f"is not over this package's {STAMPED}")
    if not roots:
        return Stamp(at, trusted=False, authority=name)
    if own is None:
        raise DamageError(
            "does not bring its authority's own certificate, and it is not among those given: ask the authority for "
            "it, and put it into the same PEM file as the root"
        )
    try:
        builder = VerifierBuilder(tsa_certificate=own, roots=list(dict.fromkeys(roots)))
        builder.build().verify_message(answer, content)
    except Exception as fault:  # as above
        raise DamageError(_not_trusted(str(fault))) from fault
    return Stamp(at, trusted=True, authority=name)


def _not_trusted(told: str) -> str:
    """Why a token is not trusted, out of what the library says, which may be a whole stack of another library's words.

    The two reasons are OpenSSL's own (crypto/pkcs7/pkcs7err.c); where neither stands there, no reason is made up.
    """
    if "signature failure" in told:
        return "its signature is false: the token was changed after it was signed, or is not the one that was sent"
    if "certificate verify error" in told:
        why = re.search(r'Verify error: ([^"]+)', told)
        return f"its signature does not lead to the certificates given{f' ({why[1]})' if why else ''}"
    told = "" if "ErrorStack" in told else f" ({told})"
    return f"is not signed as a token of RFC 3161 by the certificates given{told}"


def _signer(answer: TimeStampResponse, certificates: Sequence[x509.Certificate]) -> x509.Certificate | None:
    """The certificate that the token says it was signed with; None where it is not among these."""
    for signer in answer.signed_data.signer_infos:
        for one in certificates:
            if one.issuer == signer.issuer and one.serial_number == signer.serial_number:
                return one
    return None


def _as_response(token: bytes) -> bytes:
    """A bare token as a response that grants it (RFC 3161, 2.4.2); a response as it is."""
    start, _ = _inside(token, 0)
    if token[start : start + 1] != _KIND:
        return token
    body = _GRANTED + token
    size = len(body)
    if size < 0x80:
        return b"\x30" + bytes([size]) + body
    digits = size.to_bytes((size.bit_length() + 7) // 8)
    return b"\x30" + bytes([0x80 | len(digits)]) + digits + body


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
