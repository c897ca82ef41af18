"""Whatever stands in a package, a log or a proof, reading it ends in faults that are named, and in nothing else."""

from __future__ import annotations

import random
import shutil
from contextlib import suppress
from pathlib import Path

import pytest

from archive_jobs import a_job, let_write, sealed
from sillwright.archive.audit import audit_store
from sillwright.archive.catalogue_rows import read_rows
from sillwright.archive.examine import TAG_FILES, examine
from sillwright.archive.heads import read_head
from sillwright.archive.proofs import check_proof, proof_text, prove, read_proof
from sillwright.archive.store import Store
from sillwright.errors import DamageError, SillwrightError

RNG_SEED = 23
ROUNDS = 250
ZEROS = b"0" * 64
LINES = [
    b"",
    b"data/../../x",
    ZEROS + b"  ../x",
    ZEROS + b"  /etc/passwd",
    b"\xff\xfe",
    b"# no",
    b"a: b",
    b"\x00",
    b"*",
]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    sealed(tmp_path / "store", a_job(tmp_path / "1", "Lot 1"))
    made, _ = sealed(tmp_path / "store", a_job(tmp_path / "2", "Lot 2"))
    let_write(made)
    return made


def mutated(content: bytes, rng: random.Random) -> bytes:
    """One change of the kinds that break parsers: a byte, a cut, a doubled part, a line, or much of one letter."""
    at, to = sorted(rng.randrange(len(content) + 1) for _ in range(2))
    kind = rng.randrange(6)
    if kind == 0 and content:
        place = rng.randrange(len(content))
        return content[:place] + bytes([rng.randrange(256)]) + content[place + 1 :]
    if kind == 1:
        return content[:at] + content[to:]
    if kind == 2:
        return content[:to] + content[at:]
    if kind == 3:
        lines = content.split(b"\n")
        lines.insert(rng.randrange(len(lines) + 1), rng.choice(LINES))
        return b"\n".join(lines)
    if kind == 4:
        return content[:at] + rng.choice([b"[", b"{", b'"', b"9", b"\xf0"]) * 5000 + content[at:]
    return b"\n".join(rng.sample(lines := content.split(b"\n"), len(lines)))


def test_a_mutated_file_of_a_package_is_noticed_and_breaks_nothing(store):
    rng = random.Random(RNG_SEED)
    package = store.package(store.names()[0])
    files = [*(package / name for name in sorted(TAG_FILES)), package / "data/package.json"]
    files.append(package / "data/results/survey.json")
    for _ in range(ROUNDS):
        path = rng.choice(files)
        whole = path.read_bytes()
        changed = mutated(whole, rng)
        path.write_bytes(changed)
        examine(package)
        assert audit_store(store, workers=1, anew=True).damaged == (changed != whole), path.name
        with suppress(DamageError):
            read_rows(package)
        path.write_bytes(whole)
    assert not audit_store(store, workers=1, anew=True).damaged


def test_a_mutated_log_is_noticed_and_breaks_nothing(store):
    rng = random.Random(RNG_SEED)
    files = [store.log / "entries.txt", *sorted((store.log / "heads").iterdir())]
    for _ in range(ROUNDS):
        path = rng.choice(files)
        whole = path.read_bytes()
        changed = mutated(whole, rng)
        path.write_bytes(changed)
        audit = audit_store(store, workers=1, anew=True)
        if path.name == "entries.txt":
            assert audit.damaged == (changed != whole)
        path.write_bytes(whole)


def test_a_mutated_proof_or_head_is_told_or_holds_for_the_same(store, tmp_path):
    rng = random.Random(RNG_SEED)
    name = store.names()[0]
    proof, head = proof_text(prove(store, name)).encode(), sorted((store.log / "heads").iterdir())[-1].read_bytes()
    path = tmp_path / "x.json"
    for _ in range(ROUNDS):
        for content, read in ((proof, read_proof), (head, read_head)):
            path.write_bytes(mutated(content, rng))
            try:
                found = read(path)
            except SillwrightError:
                continue
            if read is read_proof and not check_proof(store.package(name), found):
                assert found.entry == prove(store, name).entry


def test_a_package_of_another_making_is_told_and_breaks_nothing(tmp_path, store):
    """A bag that another program made, complete in itself: it is no package of ours."""
    import bagit

    other = store.packages / "from-elsewhere"
    other.mkdir()
    (other / "notes.txt").write_text("notes")
    bagit.make_bag(str(other), checksums=["md5"])
    assert {fault.kind for fault in examine(other)} >= {"missing", "added"}
    shutil.rmtree(other)
