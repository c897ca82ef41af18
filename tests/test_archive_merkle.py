"""The log's tree is RFC 9162's: by the reference tree of its authors, and by what proofs must and must not show."""

from __future__ import annotations

from hashlib import sha256

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from sillwright.archive.heads import Head, false_signatures, sign, signed_by, signed_bytes
from sillwright.archive.merkle import (
    consistency_path,
    consistent,
    every_root,
    includes,
    inclusion_path,
    leaf_hash,
    tree_root,
)

# The reference tree of the Certificate Transparency project (merkle_tree_test), which RFC 6962 and RFC 9162 share.
REFERENCE = [
    leaf_hash(bytes.fromhex(entry))
    for entry in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
N0 = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
N23 = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
N4567 = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
N67 = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
N45 = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
N4 = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"


def hexed(path: list[bytes]) -> list[str]:
    return [one.hex() for one in path]


def some_leaves(count: int) -> list[bytes]:
    return [leaf_hash(str(one).encode()) for one in range(count)]


def test_roots_are_those_of_the_reference_tree():
    assert [tree_root(REFERENCE[:size]).hex() for size in range(1, 9)] == ROOTS
    assert [root.hex() for root in every_root(REFERENCE)] == ROOTS
    assert tree_root([]) == sha256().digest()


@pytest.mark.parametrize(("index", "path"), [(0, [N0, N23, N4567]), (5, [N4, N67, ROOTS[3]])])
def test_inclusion_paths_are_those_of_the_reference_tree(index, path):
    assert hexed(inclusion_path(index, REFERENCE)) == path
    assert includes(REFERENCE[index], index, 8, [bytes.fromhex(one) for one in path], bytes.fromhex(ROOTS[7]))


@pytest.mark.parametrize(("first", "path"), [(1, [N0, N23, N4567]), (2, [N23, N4567]), (6, [N45, N67, ROOTS[3]])])
def test_consistency_paths_are_those_of_the_reference_tree(first, path):
    assert hexed(consistency_path(first, REFERENCE)) == path
    roots = bytes.fromhex(ROOTS[first - 1]), bytes.fromhex(ROOTS[7])
    assert consistent(first, roots[0], 8, roots[1], [bytes.fromhex(one) for one in path])


def test_every_proof_of_every_size_to_40_holds_and_none_holds_for_another_leaf_or_tree():
    leaves = some_leaves(40)
    roots = list(every_root(leaves))
    for size in range(1, 41):
        assert roots[size - 1] == tree_root(leaves[:size])
        for index in range(size):
            path = inclusion_path(index, leaves[:size])
            assert includes(leaves[index], index, size, path, roots[size - 1])
            assert not includes(leaf_hash(b"other"), index, size, path, roots[size - 1])
            assert not includes(leaves[index], index, size, path, leaf_hash(b"other"))
            assert not includes(leaves[index], index, size, [*path, leaf_hash(b"more")], roots[size - 1])
            assert not path or not includes(leaves[index], index, size, path[:-1], roots[size - 1])
        for first in range(1, size + 1):
            path = consistency_path(first, leaves[:size])
            assert consistent(first, roots[first - 1], size, roots[size - 1], path)
            assert not consistent(first, leaf_hash(b"other"), size, roots[size - 1], path)
            assert not consistent(first, roots[first - 1], size, leaf_hash(b"other"), path)
            assert not consistent(first, roots[first - 1], size, roots[size - 1], [*path, leaf_hash(b"more")])
            assert not path or not consistent(first, roots[first - 1], size, roots[size - 1], path[:-1])


@given(st.integers(2, 60), st.data())
def test_a_log_with_one_early_entry_changed_is_not_the_grown_one(size, data):
    first = data.draw(st.integers(1, size - 1))
    changed = data.draw(st.integers(0, first - 1))
    leaves = some_leaves(size)
    old_root = tree_root(leaves[:first])
    leaves[changed] = leaf_hash(b"forged")
    assert not consistent(first, old_root, size, tree_root(leaves), consistency_path(first, leaves))


@pytest.mark.parametrize(("index", "size"), [(-1, 3), (3, 3), (0, 0), (5, 3)])
def test_a_place_outside_of_the_tree_is_in_no_tree(index, size):
    assert not includes(REFERENCE[0], index, size, [], REFERENCE[0])


@pytest.mark.parametrize(("first", "second"), [(0, 3), (4, 3), (-1, 2)])
def test_sizes_that_do_not_follow_are_not_consistent(first, second):
    assert not consistent(first, REFERENCE[0], second, REFERENCE[0], [])


def test_a_leaf_does_not_pass_for_a_node():
    """RFC 9162, 2.1.1: the reason for the prefixes."""
    assert leaf_hash(REFERENCE[0] + REFERENCE[1]) != tree_root(REFERENCE[:2])


# Heads


def test_what_is_signed_is_laid_out_as_the_rfc_has_it():
    """RFC 9162, 4.10, TreeHeadDataV2 by hand: time and size as uint64, the root behind its length, no extensions."""
    head = Head(3, "ab" * 32, 1_700_000_000_000)
    assert signed_bytes(head) == bytes.fromhex("0000018bcfe56800" + "0000000000000003" + "20" + "ab" * 32 + "0000")


def test_a_signature_holds_for_its_head_and_its_key_only():
    key, other = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
    head = sign(Head(3, "ab" * 32, 5), key)
    assert signed_by(head, key.public_key())
    assert not signed_by(head, other.public_key())
    assert sign(head, key) == head
    assert len(sign(head, other).signatures) == 2
    for forged in (Head(4, "ab" * 32, 5), Head(3, "ac" * 32, 5), Head(3, "ab" * 32, 6)):
        changed = Head(forged.tree_size, forged.root_hash, forged.timestamp_ms, head.signatures)
        assert not signed_by(changed, key.public_key())
        assert false_signatures(changed) == [head.signatures[0].public_key]
