"""What is said of packages and stores: the sentence for each fault an audit finds, and how an audit ends."""

from __future__ import annotations

import json
import math

from sillwright.archive.again import Differences
from sillwright.archive.audit import Audit, faults_of
from sillwright.archive.examine import Fault, FaultKind
from sillwright.archive.proofs import Proof
from sillwright.tell.tables import plain_text

_MOST_PLACES = 20  # differences that are listed one by one

_SENTENCES: dict[FaultKind, str] = {
    "changed": "changed: its bytes are not those that were sealed",
    "missing": "missing: it was sealed, and is not there",
    "added": "added: it is there, and was not sealed",
    "unsafe": "not safe to read, so nothing in this package was read: it",
    "unreadable": "cannot be read from the disk:",
    "malformed": "not as a package is written: it",
    "not in log": "not in the log: run sillwright archive once more on the results it was made from, or take it away",
    "not the logged one": "its lists of checksums are not those in the log: it was changed or replaced as a whole",
    "package missing": "missing: the whole package was sealed, and is not there",
    "log": "the log:",
    "stamp": "the time stamp:",
}


def fault_line(package: str, fault: Fault) -> str:
    """One line: where, what, and why; a name in a package may hold anything, and steers no terminal from here."""
    where = "/".join(part for part in (package, fault.path) if part)
    said = " ".join(part for part in (_SENTENCES[fault.kind], fault.told) if part)
    return plain_text(f"{where or 'the store'}: {said}").plain


def audit_lines(audit: Audit) -> list[str]:
    """Every fault, then the packages that no signature covers."""
    lines = [fault_line(name, fault) for name, fault in faults_of(audit)]
    return lines + [f"{name}: not covered by a signature of the key given" for name in audit.unsigned or ()]


def audit_closing(audit: Audit) -> str:
    """How an audit ends, in one or two sentences."""
    count, bad = len(audit.packages), sum(bool(one.faults) for one in audit.packages)
    whole = f"{count} package{'s' * (count != 1)} read, {bad} with faults."
    if audit.gone_on:
        whole += f" {audit.gone_on} of them had been read by an audit that was cut off."
    if audit.head is not None:
        whole += f" The log has {audit.head.tree_size} entries; its root is {audit.head.root_hash}."
    stamps = [one.stamp for one in audit.packages if one.stamp is not None]
    trusted = sum(stamp.trusted for stamp in stamps)
    if stamps:
        whole += f" Time stamps: {trusted} by an authority that you trust, {len(stamps) - trusted} over the right bytes"
        whole += " and no more checked: give its certificates with --stamp-roots." if trusted < len(stamps) else "."
    return whole


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
        "unsigned": None if audit.unsigned is None else list(audit.unsigned),
        "tree_size": audit.head.tree_size if audit.head else 0,
        "root_hash": audit.head.root_hash if audit.head else None,
    }
    return json.dumps(body, indent=1)
