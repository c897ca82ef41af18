"""The Merkle tree of RFC 9162, section 2.1, over SHA-256: roots, inclusion and consistency proofs, and their checks.

Own code, since the libraries there are for it either build another tree or come under a licence that binds who uses
sillwright; it is the RFC's algorithms line by line, and is checked against the published reference tree.
Leaves are given as bytes, hashes are 32 bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from hashlib import sha256


def leaf_hash(entry: bytes) -> bytes:
    """RFC 9162, 2.1.1: a leaf is marked apart from a node, so that neither passes for the other."""
    return sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """RFC 9162, 2.1.1."""
    return sha256(b"\x01" + left + right).digest()


def tree_root(leaves: Sequence[bytes]) -> bytes:
    """MTH of 2.1.1 over leaf hashes; of none, the hash of nothing."""
    if not leaves:
        return sha256().digest()
    if len(leaves) == 1:
        return leaves[0]
    split = _split(len(leaves))
    return node_hash(tree_root(leaves[:split]), tree_root(leaves[split:]))


def every_root(leaves: Sequence[bytes]) -> Iterator[bytes]:
    """The roots of the first leaf, of the first two, and so on: each in no more steps than the tree is high."""
    whole: list[tuple[int, bytes]] = []  # full subtrees from left to right, with their heights
    for leaf in leaves:
        height, top = 0, leaf
        while whole and whole[-1][0] == height:
            top = node_hash(whole.pop()[1], top)
            height += 1
        whole.append((height, top))
        root = whole[-1][1]
        for _, left in reversed(whole[:-1]):
            root = node_hash(left, root)
        yield root


def inclusion_path(index: int, leaves: Sequence[bytes]) -> list[bytes]:
    """PATH(m, D_n) of 2.1.3.1: the nodes that lead from a leaf to the root."""
    if len(leaves) == 1:
        return []
    split = _split(len(leaves))
    if index < split:
        return [*inclusion_path(index, leaves[:split]), tree_root(leaves[split:])]
    return [*inclusion_path(index - split, leaves[split:]), tree_root(leaves[:split])]


def includes(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """Verifying an inclusion proof, 2.1.3.2."""
    if not 0 <= index < size:
        return False
    number, last, top = index, size - 1, leaf
    for node in path:
        if last == 0:
            return False
        if number & 1 or number == last:
            top = node_hash(node, top)
            while not number & 1 and number:
                number, last = number >> 1, last >> 1
        else:
            top = node_hash(top, node)
        number, last = number >> 1, last >> 1
    return last == 0 and top == root


def consistency_path(first: int, leaves: Sequence[bytes]) -> list[bytes]:
    """PROOF(m, D_n) of 2.1.4.1: that the first ``first`` leaves are the tree that once had only these."""
    return _subproof(first, leaves, whole=True)


def _subproof(first: int, leaves: Sequence[bytes], *, whole: bool) -> list[bytes]:
    if first == len(leaves):
        return [] if whole else [tree_root(leaves)]
    split = _split(len(leaves))
    if first <= split:
        return [*_subproof(first, leaves[:split], whole=whole), tree_root(leaves[split:])]
    return [*_subproof(first - split, leaves[split:], whole=False), tree_root(leaves[:split])]


def consistent(first: int, first_root: bytes, second: int, second_root: bytes, path: Sequence[bytes]) -> bool:
    """Verifying consistency between two tree heads, 2.1.4.2; of one tree with itself the path is empty."""
    if not 0 < first <= second:
        return False
    if first == second:
        return not path and first_root == second_root
    nodes = [first_root, *path] if first & (first - 1) == 0 else list(path)
    if not nodes:
        return False
    number, last = first - 1, second - 1
    while number & 1:
        number, last = number >> 1, last >> 1
    old = new = nodes[0]
    for node in nodes[1:]:
        if last == 0:
            return False
        if number & 1 or number == last:
            old, new = node_hash(node, old), node_hash(node, new)
            while not number & 1 and number:
                number, last = number >> 1, last >> 1
        else:
            new = node_hash(new, node)
        number, last = number >> 1, last >> 1
    return last == 0 and old == first_root and new == second_root


def _split(size: int) -> int:
    """The largest power of two below ``size``."""
    return 1 << (size - 1).bit_length() - 1
