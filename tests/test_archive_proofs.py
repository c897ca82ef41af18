"""Somebody with a package and a proof, and no store, can tell that the log holds it; and time stamps are checked."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

from archive_jobs import a_job, let_write, sealed
from sillwright.archive.audit import audit_store, faults_of
from sillwright.archive.heads import head_bytes
from sillwright.archive.keep import keep
from sillwright.archive.log import last_head
from sillwright.archive.proofs import check_proof, proof_text, prove, read_proof
from sillwright.archive.stamp import STAMPED, check_token, read_roots
from sillwright.archive.store import Store, make_store
from sillwright.cli.app import app
from sillwright.errors import ArchiveError, DamageError


@pytest.fixture
def store(tmp_path: Path) -> Store:
    for count in range(5):
        made, _ = sealed(tmp_path / "store", a_job(tmp_path / "jobs" / str(count), f"Lot {count}"))
    return made


def test_a_proof_holds_for_every_package_that_it_is_of_and_for_no_other(store):
    names = store.names()
    for name in names:
        proof = prove(store, name)
        assert check_proof(store.package(name), proof, last_head(store)) == ()
        for other in names:
            if other != name:
                assert check_proof(store.package(other), proof)


def test_a_proof_goes_through_its_file_and_the_package_through_a_copy(store, tmp_path):
    name = store.names()[2]
    shutil.copytree(store.package(name), tmp_path / "From Lot 2")
    (tmp_path / "proof.json").write_text(proof_text(prove(store, name)))
    assert check_proof(tmp_path / "From Lot 2", read_proof(tmp_path / "proof.json")) == ()
    shutil.rmtree(tmp_path / "From Lot 2")


def test_a_log_that_has_grown_proves_it_to_who_kept_an_earlier_head(store, tmp_path):
    kept = last_head(store)
    assert kept is not None
    _, late = sealed(store.folder, a_job(tmp_path / "late", "Late"))
    proof = prove(store, late.name, kept)
    assert check_proof(store.package(late.name), proof, kept) == ()
    assert check_proof(store.package(late.name), prove(store, late.name), kept)  # without the path from that head
    forged = replace(kept, root_hash="00" * 32)
    assert check_proof(store.package(late.name), proof, forged)
    with pytest.raises(DamageError, match="not the log that the kept head"):
        prove(store, late.name, forged)


def test_a_proof_tampered_with_does_not_hold(store):
    name = store.names()[1]
    proof = prove(store, name)
    for changed in (
        replace(proof, leaf_index=2),
        replace(proof, inclusion_path=proof.inclusion_path[:-1]),
        replace(proof, inclusion_path=("00" * 32, *proof.inclusion_path[1:])),
        replace(proof, entry=proof.entry.replace("lot", "pot")),
        replace(proof, head=replace(proof.head, tree_size=40)),
    ):
        assert check_proof(store.package(name), changed)


def test_what_the_log_does_not_hold_cannot_be_proved(store):
    with pytest.raises(ArchiveError, match="has no package 'lot-9'"):
        prove(store, "lot-9")


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff", b'{"entry": 3}'])
def test_nonsense_is_no_proof(tmp_path, content):
    (tmp_path / "proof.json").write_bytes(content)
    with pytest.raises(DamageError, match="is no proof"):
        read_proof(tmp_path / "proof.json")


# By the commands


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    told = "" if done.exception is None or isinstance(done.exception, SystemExit) else str(done.exception)
    return getattr(done.exception, "exit_code", done.exit_code), done.output + told


def keys(folder: Path) -> tuple[Path, Path]:
    key = Ed25519PrivateKey.generate()
    private, public = folder / "key.pem", folder / "public.pem"
    private.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    public.write_bytes(key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    return private, public


def test_from_sealing_with_a_key_to_an_outsider_who_checks(tmp_path):
    job, (private, public) = a_job(tmp_path), keys(tmp_path)
    store = tmp_path / "store"
    status, told = run(
        "archive", job.out, "-o", store, "--photos", job.folder, "--key", private, "--signed-off", "R. D"
    )
    assert status == 0, told
    name = told.splitlines()[0].rsplit("/", 1)[-1]
    assert run("audit", store, "--key", public)[0] == 0
    status, proof = run("prove", store, name)
    assert status == 0
    (tmp_path / "proof.json").write_text(proof)
    sent = tmp_path / "sent"
    shutil.copytree(store / "packages" / name, sent)
    status, told = run("audit", sent, "--proof", tmp_path / "proof.json", "--key", public)
    assert status == 0, told
    assert "entry 1 of 1" in told
    other = keys(sent.parent / "store")[1]
    status, told = run("audit", sent, "--proof", tmp_path / "proof.json", "--key", other)
    assert status == 5
    assert "not signed with the key given" in told


def test_a_kept_head_is_a_file_like_those_in_the_log(store, tmp_path):
    head = last_head(store)
    assert head is not None
    kept = tmp_path / "head.json"
    kept.write_bytes(head_bytes(head))
    assert run("audit", store.folder, "--kept", kept)[0] == 0
    kept.write_bytes(head_bytes(replace(head, root_hash="11" * 32)))
    status, told = run("audit", store.folder, "--kept", kept)
    assert status == 5
    assert "kept head" in told


@pytest.mark.parametrize("option", ["--key", "--kept"])
def test_one_package_has_no_log_to_hold_a_key_or_a_head_against(store, tmp_path, option):
    given = keys(tmp_path)[1] if option == "--key" else sorted((store.log / "heads").iterdir())[0]
    status, told = run("audit", store.package(store.names()[0]), option, given)
    assert status == 2
    assert "give its --proof" in told


@pytest.mark.parametrize("kind", ["none", "text", "rsa", "locked", "public"])
def test_a_key_that_cannot_sign_is_told_before_anything_is_sealed(tmp_path, kind):
    from cryptography.hazmat.primitives.asymmetric import rsa
    from cryptography.hazmat.primitives.serialization import BestAvailableEncryption

    job, path = a_job(tmp_path), tmp_path / "bad.pem"
    key = Ed25519PrivateKey.generate()
    if kind == "text":
        path.write_text("my key")
    elif kind == "rsa":
        large = rsa.generate_private_key(65537, 2048)
        path.write_bytes(large.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    elif kind == "locked":
        path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"x")))
    elif kind == "public":
        path.write_bytes(key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    status, told = run("archive", job.out, "-o", tmp_path / "store", "--photos", job.folder, "--key", path)
    assert status == 2, told
    assert "bad.pem" in told
    assert not (tmp_path / "store").exists()


# Time stamps


@dataclass(frozen=True)
class Authority:
    """A time-stamp authority of its own, made with the openssl program."""

    folder: Path

    @property
    def root(self) -> Path:
        return self.folder / "ca.pem"

    def stamp(self, file: Path, token: Path, algorithm: str = "sha256", bring: bool = True) -> None:
        query = self.folder / "query.tsq"
        self.openssl("ts", "-query", "-data", file, f"-{algorithm}", *["-cert"] * bring, "-out", query)
        token.parent.mkdir(exist_ok=True)
        self.openssl("ts", "-reply", "-config", "tsa.cnf", "-section", "tsa", "-queryfile", query, "-out", token)

    def openssl(self, *words: object) -> None:
        subprocess.run(["openssl", *map(str, words)], cwd=self.folder, check=True, capture_output=True)


def an_authority(folder: Path) -> Authority:
    if shutil.which("openssl") is None:
        pytest.skip("no token can be made here: the openssl program is not installed")
    folder.mkdir()
    made = Authority(folder)
    (folder / "serial").write_text("01")
    (folder / "tsa.cnf").write_text(
        "[req]\ndistinguished_name = dn\nprompt = no\n[dn]\nCN = Test time\n"
        "[leaf]\nextendedKeyUsage = critical,timeStamping\nkeyUsage = critical,digitalSignature\n"
        "[tsa]\nserial = serial\nsigner_cert = tsa.pem\nsigner_key = tsa.key\ncerts = ca.pem\nsigner_digest = sha256\n"
        "default_policy = 1.2.3.4\ndigests = sha1, sha256, sha512\ness_cert_id_alg = sha256\n"
    )
    new = ("-newkey", "rsa:2048", "-nodes", "-config", "tsa.cnf")
    made.openssl("req", "-x509", *new, "-subj", "/CN=Test root", "-keyout", "ca.key", "-out", "ca.pem", "-days", 3650)
    made.openssl("req", "-new", *new, "-keyout", "tsa.key", "-out", "tsa.csr")
    made.openssl(
        "x509", "-req", "-in", "tsa.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", 3650,
        "-extfile", "tsa.cnf", "-extensions", "leaf", "-out", "tsa.pem",
    )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return an_authority(tmp_path_factory.mktemp("time") / "authority")


@pytest.mark.parametrize("algorithm", ["sha256", "sha512"])
def test_a_token_over_a_package_holds_and_its_time_is_trusted_with_the_root_only(tmp_path, authority, algorithm):
    store, one = sealed(tmp_path / "store", a_job(tmp_path))
    package, token = store.package(one.name), store.token(one.name)
    authority.stamp(package / STAMPED, token, algorithm)
    assert not check_token(token, package).trusted
    assert check_token(token, package, read_roots(authority.root)).trusted
    assert not audit_store(store, workers=1, roots=read_roots(authority.root)).damaged
    status, told = run("audit", store.folder, "--stamp-roots", authority.root)
    assert status == 0
    assert "Time stamps: 1 by an authority that you trust" in told
    status, told = run("audit", store.folder)
    assert status == 0
    assert "Time stamps: 0 by an authority that you trust. Of 1 the signatures were not checked" in told
    assert "give the authority's certificates with --stamp-roots" in told


def test_a_token_over_another_package_by_another_authority_or_changed_is_named(tmp_path, authority, store):
    one, other = store.names()[:2]
    token = store.token(one)
    authority.stamp(store.package(other) / STAMPED, token)
    with pytest.raises(DamageError, match="is not over this package's"):
        check_token(token, store.package(one))
    assert [(name, fault.kind) for name, fault in faults_of(audit_store(store, workers=1))] == [(one, "stamp")]
    authority.stamp(store.package(one) / STAMPED, token)
    stranger = an_authority(tmp_path / "stranger")
    with pytest.raises(DamageError, match="does not lead to the certificates given") as told:
        check_token(token, store.package(one), read_roots(stranger.root))
    assert len(str(told.value)) < 150  # a sentence, and no stack of another library's errors
    sent = token.read_bytes()
    policy = sent.index(b"\x06\x03\x2a\x03\x04") + 4  # 1.2.3.4, the last byte of it
    for place in (len(sent) - 20, policy):  # in the signature; in what it is over
        content = bytearray(sent)
        content[place] ^= 1
        token.write_bytes(content)
        with pytest.raises(DamageError, match="its signature is false") as told:
            check_token(token, store.package(one), read_roots(authority.root))
        assert len(str(told.value)) < 150


def test_a_token_over_a_weak_hash_is_refused(tmp_path, authority, store):
    name = store.names()[0]
    authority.stamp(store.package(name) / STAMPED, store.token(name), "sha1")
    with pytest.raises(DamageError, match="is over a hash that is not"):
        check_token(store.token(name), store.package(name))


def test_a_token_with_a_flipped_bit_anywhere_hides_no_other_damage(authority, store):
    one, other = store.names()[:2]
    token = store.token(one)
    authority.stamp(store.package(one) / STAMPED, token)
    let_write(store)
    (store.package(other) / "data/results/survey.json").unlink()
    sent = token.read_bytes()
    for place in range(8 * 178, 8 * len(sent), 97):
        content = bytearray(sent)
        content[place // 8] ^= 1 << place % 8
        token.write_bytes(content)
        with contextlib.suppress(DamageError):
            check_token(token, store.package(one), read_roots(authority.root))
    content = bytearray(sent)
    content[178] ^= 1  # the version of a certificate
    token.write_bytes(content)
    found = {(name, fault.kind) for name, fault in faults_of(audit_store(store, workers=1))}
    assert (other, "missing") in found


@pytest.mark.parametrize("content", [b"", b"no token", b"0" * 2_000_000, b"\x30\x03\x02\x01\x00"])
def test_nonsense_is_no_token(store, content):
    name = store.names()[0]
    store.token(name).parent.mkdir()
    store.token(name).write_bytes(content)
    with pytest.raises(DamageError, match="cannot be read as a time-stamp response"):
        check_token(store.token(name), store.package(name))


def test_a_head_may_be_signed_when_the_same_is_sealed_again(tmp_path):
    job, store = a_job(tmp_path), make_store(tmp_path / "store")
    key = Ed25519PrivateKey.generate()
    assert keep(store, job.contents()).head.signatures == ()
    assert len(keep(store, job.contents(), key=key).head.signatures) == 1
    assert audit_store(store, workers=1, key=key.public_key()).unsigned == ()


def test_the_time_and_the_authority_of_a_stamp_are_told(tmp_path, authority):
    store, one = sealed(tmp_path / "store", a_job(tmp_path))
    authority.stamp(store.package(one.name) / STAMPED, store.token(one.name))
    at = check_token(store.token(one.name), store.package(one.name)).at
    _, said = run("audit", store.folder)
    assert f"{one.name}: stamped {at:%Y-%m-%d %H:%M:%S} UTC by CN=Test time, by its own word" in said
    _, said = run("audit", store.folder, "--stamp-roots", authority.root, "--json")
    (stamp,) = json.loads(said)["stamps"]
    assert (stamp["package"], stamp["at"], stamp["trusted"]) == (one.name, at.isoformat(), True)


def test_a_bare_token_is_taken_as_well(tmp_path, authority):
    store, one = sealed(tmp_path / "store", a_job(tmp_path))
    token = store.token(one.name)
    authority.stamp(store.package(one.name) / STAMPED, token)
    authority.openssl("ts", "-reply", "-in", token, "-token_out", "-out", token)
    assert check_token(token, store.package(one.name), read_roots(authority.root)).trusted


def test_an_authority_that_the_token_does_not_bring_is_taken_from_the_file_given(tmp_path, authority):
    store, one = sealed(tmp_path / "store", a_job(tmp_path))
    package, token = store.package(one.name), store.token(one.name)
    authority.stamp(package / STAMPED, token, bring=False)
    with pytest.raises(DamageError, match="does not bring its authority's own certificate"):
        check_token(token, package, read_roots(authority.root))
    both = tmp_path / "both.pem"
    both.write_bytes(authority.root.read_bytes() + (authority.folder / "tsa.pem").read_bytes())
    assert check_token(token, package, read_roots(both)).trusted
    stranger = an_authority(tmp_path / "stranger")
    both.write_bytes(stranger.root.read_bytes() + (authority.folder / "tsa.pem").read_bytes())
    with pytest.raises(DamageError, match="does not lead to the certificates given"):
        check_token(token, package, read_roots(both))
