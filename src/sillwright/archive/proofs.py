"""For who has a package and no store: a proof that the log holds it, and that the log has only grown since a head.

A proof is a JSON file with the package's entry, an inclusion proof (RFC 9162, 2.1.3) under a head of the log, and where
an earlier head was given a consistency proof from that to this one (2.1.4). Without a head or a key that the reader had
before, a proof shows only that it agrees with itself.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import TypeAdapter

from sillwright.archive.heads import Head, false_signatures, public_pem, signed_by, signed_bytes
from sillwright.archive.log import covers, entry_of, last_head, leaves, parse_entry, read_entries
from sillwright.archive.merkle import consistency_path, consistent, includes, inclusion_path, leaf_hash
from sillwright.archive.store import Store, held_still
from sillwright.errors import ArchiveError, DamageError
from sillwright.whole_file import read_whole

PROOF_SCHEMA: Literal["sillwright-proof-1"] = "sillwright-proof-1"


@dataclass(frozen=True)
class Proof:
    """Hashes in hexadecimal digits.

    entry : the log's line; leaf_index : its place, from 0
    first_size : of the earlier head that ``consistency_path`` starts from; 0 where none was given
    """

    entry: str
    leaf_index: int
    head: Head
    inclusion_path: tuple[str, ...]
    first_size: int = 0
    consistency_path: tuple[str, ...] = ()
    schema: Literal["sillwright-proof-1"] = PROOF_SCHEMA


def prove(store: Store, name: str, kept: Head | None = None) -> Proof:
    """The proof for a package under the newest head; ``kept`` is a head that the reader has already.

    Raises ArchiveError where the log does not hold the package, DamageError where it does not agree with its own head
    or with the one kept.
    """
    with held_still(store):
        entries, head = read_entries(store), last_head(store)
    index = next((place for place, entry in enumerate(entries) if entry.name == name), None)
    if head is None and entries:
        raise DamageError(f"{store.log} has no head over its entries. Run sillwright audit {store.folder}")
    if index is None or head is None:
        raise ArchiveError(
            f"the log of {store.folder} has no package {name!r}. sillwright find {store.folder} lists them."
        )
    if not covers(head, entries) or head.tree_size <= index:
        raise DamageError(f"{store.log} does not agree with its own last head. Run sillwright audit {store.folder}")
    if kept is not None and not covers(kept, entries):
        raise DamageError(f"{store.log} is not the log that the kept head was taken from, or entries were changed.")
    hashes = leaves(entries[: head.tree_size])
    return Proof(
        entry=entries[index].line.decode("ascii"),
        leaf_index=index,
        head=head,
        inclusion_path=_hex(inclusion_path(index, hashes)),
        first_size=0 if kept is None else kept.tree_size,
        consistency_path=() if kept is None else _hex(consistency_path(kept.tree_size, hashes)),
    )


def check_proof(
    package: Path, proof: Proof, kept: Head | None = None, key: Ed25519PublicKey | None = None
) -> tuple[str, ...]:
    """What of a proof does not hold, as ends of sentences about the log; nothing where all holds.

    kept : a head that the reader had before; key : whose signature the proof's head must have
    """
    faults = []
    head = proof.head
    entry = parse_entry(proof.entry)
    try:
        same = entry_of(package).digests == entry.digests
    except (OSError, DamageError):
        same = False
    if not same:
        faults.append("the package is not the one that the proof speaks of")
    if not includes(leaf_hash(entry.line), proof.leaf_index, head.tree_size, _bytes(proof.inclusion_path), head.root):
        faults.append("the proof does not lead to the root of its head")
    if kept is not None and not _grown_from(kept, proof):
        faults.append("the log is not the kept one grown: entries were changed or taken away, or it is another log")
    if false_signatures(head):
        faults.append("a signature on the head is false")
    if key is not None and not signed_by(head, key):
        faults.append("the head is not signed with the key given")
    return tuple(faults)


def _grown_from(kept: Head, proof: Proof) -> bool:
    if proof.first_size not in (0, kept.tree_size):
        return False
    return consistent(kept.tree_size, kept.root, proof.head.tree_size, proof.head.root, _bytes(proof.consistency_path))


def proof_text(proof: Proof, how: Sequence[str] = ()) -> str:
    """The JSON of a proof, with what its reader would else have to work out.

    how : lines that say how to check it without sillwright; beside them stand the bytes that are signed, in hexadecimal
    digits, and each signer's public key as PEM (RFC 8410)
    """
    keys = [public_pem(one.public_key) for one in proof.head.signatures]
    body = {**asdict(proof), "signed_bytes": signed_bytes(proof.head).hex(), "public_keys_pem": keys}
    return json.dumps({"how": list(how), **body}, indent=1)


def read_proof(path: Path) -> Proof:
    """A proof from its file. Raises DamageError where it is none."""
    try:
        proof = _adapter().validate_json(read_whole(path))
        parse_entry(proof.entry)
        hashes = (*_bytes(proof.inclusion_path), *_bytes(proof.consistency_path), proof.head.root)
        if any(len(one) != 32 for one in hashes):
            raise ValueError("a hash is not of SHA-256")
    except (OSError, ValueError) as fault:
        raise DamageError(f"{path} is no proof that sillwright prove wrote. Ask for it again.") from fault
    return proof


def _hex(hashes: list[bytes]) -> tuple[str, ...]:
    return tuple(one.hex() for one in hashes)


def _bytes(hashes: tuple[str, ...]) -> tuple[bytes, ...]:
    return tuple(bytes.fromhex(one) for one in hashes)


@cache
def _adapter() -> TypeAdapter[Proof]:
    return TypeAdapter(Proof)
