"""What is said of packages and stores: the sentence for each fault an audit finds, and how an audit ends."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from sillwright.archive.again import Differences
from sillwright.archive.audit import Audit, faults_of
from sillwright.archive.examine import Fault, FaultKind
from sillwright.archive.heads import Head
from sillwright.archive.proofs import Proof
from sillwright.tell.tables import plain_text

_MOST_PLACES = 20  # differences that are listed one by one
_MOST_PAIRS = 5  # names that differ in case only, listed one by one

_SENTENCES: dict[FaultKind, str] = {
    "changed": "changed: its bytes are not those that were sealed",
    "missing": "missing: it was sealed, and is not there",
    "added": "added: it is there, and was not sealed",
    "unsafe": "not safe to read, so nothing else in this package was read: it",
    "unreadable": "cannot be read from the disk:",
    "malformed": "not as a package is written: it",
    "not in log": "not in the log. A run of an older sillwright that was cut off can leave one such package: run "
    "sillwright archive once more on the results it was made from. Where you know of no such run, or there are "
    "several, entries were taken out of the log, or a package was put there: put the log back from a copy",
    "unfinished": "sealed, and not in the log yet: sillwright archive is at work, or was cut off. Where none is at "
    "work, run it once more, on any results: it puts this package into the log first, where it is whole",
    "not the logged one": "not as the log has it: this list of checksums was changed, or the whole package replaced",
    "package missing": "missing: the whole package was sealed, and is not there",
    "log": "the log:",
    "stamp": "the time stamp:",
}


_NOT_TOLD = {
    "profile": "survey.json does not tell which phone profile it was measured with, so it cannot be told whether the "
    "one sealed is that one",
    "libraries": "survey.json does not tell which libraries computed it, so the package does not either",
    "report": "there is no measure.sha256, so it cannot be told whether the report and the pictures are of this "
    "survey.json",
    "plates": "there is no plates.sha256, so it cannot be told whether the plates' sheets and strips are of this plan",
}


# How to check a proof with other programs, or by hand: it stands in the proof itself.
PROOF_HOW = (
    "With sillwright: sillwright audit FOLDER --proof THIS_FILE, with --key or --kept. Without it:",
    "1. In the package's folder: sha256sum -c manifest-sha256.txt; then sha256sum -c tagmanifest-sha256.txt.",
    "2. The entry is the package's name, the SHA-256 of the file tagmanifest-sha256.txt, and the SHA-256 of the file "
    "tagmanifest-sha512.txt, both in hexadecimal digits, with one space between. Both digests are SHA-256.",
    "3. The leaf is the entry as ASCII, without a line feed; its hash is SHA-256 of a zero byte and the leaf (RFC "
    "9162, 2.1.1). It is entry leaf_index, counted from 0, of head.tree_size.",
    "4. Leaf hash, leaf_index, head.tree_size and inclusion_path lead to head.root_hash (RFC 9162, 2.1.3.2).",
    "5. Where first_size is not 0, consistency_path leads from the root of the first first_size entries, which the "
    "reader has kept, to head.root_hash (RFC 9162, 2.1.4.2).",
    "6. Each signature is Ed25519 (RFC 8032) over signed_bytes, which are TreeHeadDataV2 (RFC 9162, 4.10): "
    "timestamp_ms and tree_size as 8 bytes each with the high byte first, the byte 32, the 32 bytes of root_hash, and "
    "two zero bytes, for no extensions. public_keys_pem has the keys in the order of head.signatures, as PEM: compare "
    "a key with the one that its owner gave you; that it stands here shows nothing.",
)


def not_told_lines(not_told: Sequence[str]) -> list[str]:
    """What could not be told when a package was sealed, and what to do about it; nothing where all could be."""
    lines = [f"{_NOT_TOLD[one]}." for one in not_told]
    again = (
        "An older sillwright made these results: measure and plan again with this one, then archive, to have it told."
    )
    return [*lines, again] if lines else []


def case_lines(pairs: Sequence[tuple[str, str]]) -> list[str]:
    """Names in a package that differ in large and small letters only, and what that means for copies of it."""
    if not pairs:
        return []
    some = ", ".join(f"{one!r} and {other!r}" for one, other in pairs[:_MOST_PAIRS])
    more = f", and {len(pairs) - _MOST_PAIRS} more" if len(pairs) > _MOST_PAIRS else ""
    return [
        f"{some}{more} differ in large and small letters only. Both are sealed; but a disk that takes the two for one "
        "name, as most memory sticks and many laptops do, cannot hold a copy of this package. Carry it as a tar file; "
        "or rename one of the two, measure again and seal that."
    ]


def fault_line(package: str, fault: Fault) -> str:
    """One line: where, what, and why; a name in a package may hold anything, and steers no terminal from here."""
    where = "/".join(part for part in (package, fault.path) if part)
    said = " ".join(part for part in (_SENTENCES[fault.kind], fault.told) if part)
    return plain_text(f"{where or 'the store'}: {said}").plain


def audit_lines(audit: Audit) -> list[str]:
    """Every fault, then the packages that no signature covers."""
    lines = [fault_line(name, fault) for name, fault in faults_of(audit)]
    return lines + [f"{name}: not covered by a signature of the key given" for name in audit.unsigned or ()]


def log_sentence(head: Head) -> str:
    """How long the log is, and its root."""
    size = head.tree_size
    return f"The log has {size} {'entry' if size == 1 else 'entries'}; its root is {head.root_hash}."


def audit_closing(audit: Audit) -> str:
    """How an audit ends, in one or two sentences."""
    count, bad = len(audit.packages), sum(bool(one.faults) for one in audit.packages)
    whole = f"{count} package{'s' * (count != 1)}, {bad} with faults."
    if audit.gone_on:
        whole += (
            f" Read now: {count - audit.gone_on}; not read: {audit.gone_on}, which by its notes in the store "
            "an audit that was cut off in the last 24 hours had found whole. Notes prove nothing, and files may have "
            "changed since: without --resume all is read."
        )
    if audit.head is not None:
        whole += f" {log_sentence(audit.head)}"
    stamps = [one.stamp for one in audit.packages if one.stamp is not None]
    trusted = sum(stamp.trusted for stamp in stamps)
    if stamps:
        whole += f" Time stamps: {trusted} by an authority that you trust."
    if trusted < len(stamps):
        whole += (
            f" Of {len(stamps) - trusted} the signatures were not checked, so anybody can have made or changed them, "
            "their time too: give the authority's certificates with --stamp-roots."
        )
    if audit.not_noted:
        whole += (
            f" How far the audit came could not be noted: {audit.not_noted}. It read everything; had it been cut off, "
            f"the next would begin anew. {'Make room on the disk.' if audit.no_room else 'Let that folder be written.'}"
        )
    return whole


def stamp_lines(audit: Audit) -> list[str]:
    """Each time stamp that holds: of which package, when, by whom, and whether that was checked."""
    return [
        plain_text(
            f"{one.name}: stamped {one.stamp.at:%Y-%m-%d %H:%M:%S} UTC by {one.stamp.authority or 'nobody named'}"
            f"{', which you trust' if one.stamp.trusted else ', by its own word: the signature was not checked'}"
        ).plain
        for one in audit.packages
        if one.stamp is not None
    ]


def package_json(name: str, faults: Sequence[Fault], told: Sequence[str], proof: Proof | None) -> str:
    """One package for programs: its faults, and what of its proof does not hold (null where none was given)."""
    body = {
        "package": name,
        "faults": [{"kind": fault.kind, "path": fault.path, "told": fault_line(name, fault)} for fault in faults],
        "proof": None if proof is None or faults else {"holds": not told, "told": list(told)},
    }
    return json.dumps(body, indent=1)


def proof_line(proof: Proof, known: bool) -> str:
    """What a proof that holds shows; ``known`` is whether the reader had a key or a head of the log before."""
    where = f"The log holds it as entry {proof.leaf_index + 1} of {proof.head.tree_size}, under the root "
    if known:
        return f"{where}{proof.head.root_hash}."
    return (
        f"{where}{proof.head.root_hash}. Compare that root with one you had before, or give --kept or --key: by itself "
        "a proof shows only that it agrees with itself."
    )


def again_lines(name: str, found: Differences) -> list[str]:
    """What measuring a package again gave."""
    if found.same and not found.largest:
        return [f"{name}: measured again from the package alone, every number came out the same to its last digit."]
    if found.same:
        return [
            f"{name}: measured again from the package alone, every number came out the same; the largest difference is "
            f"{found.largest:.1e} (mm or degrees), at {found.largest_at}."
        ]
    shown = [f"{at}{_by(size)}" for at, size in found.places[:_MOST_PLACES]]
    more = [f"... and {len(found.places) - len(shown)} more."] if len(found.places) > len(shown) else []
    return [f"{name}: measured again from the package alone, it did not come out the same:", *shown, *more]


def _by(size: float) -> str:
    return "" if math.isinf(size) else f": by {size:.3g}"


def audit_json(audit: Audit) -> str:
    """The same for programs: a list of faults, each with its package, kind, path and words."""
    body = {
        "packages": len(audit.packages),
        "faults": [
            {"package": name, "kind": fault.kind, "path": fault.path, "told": fault_line(name, fault)}
            for name, fault in faults_of(audit)
        ],
        "stamps": [
            {
                "package": one.name,
                "at": one.stamp.at.isoformat(),
                "authority": one.stamp.authority,
                "trusted": one.stamp.trusted,
            }
            for one in audit.packages
            if one.stamp is not None
        ],
        "not_read_again": audit.gone_on,
        "not_noted": audit.not_noted,
        "unsigned": None if audit.unsigned is None else list(audit.unsigned),
        "tree_size": audit.head.tree_size if audit.head else 0,
        "root_hash": audit.head.root_hash if audit.head else None,
    }
    return json.dumps(body, indent=1)
