"""The hash tree of the seals, as RFC 9162, section 2.1, has it (the tree of RFC 6962): SHA-256, leaf 0x00, node 0x01.
Pure. Hashes are 32 bytes, a proof is a list of hashes from the leaf up, in the order of RFC 9162.

`verify_*` answer with a bool and never raise, whatever they are given.
"""

from collections.abc import Iterable, Sequence
from hashlib import sha256
from typing import Any

HASH_BYTES = 32
EMPTY = sha256().digest()


def leaf_hash(data: bytes) -> bytes:
    """The hash of one entry's bytes."""
    return sha256(b"\0" + data).digest()


def _node(left: bytes, right: bytes) -> bytes:
    return sha256(b"\1" + left + right).digest()


class Frontier:
    """A tree that only grows, as the roots of its full subtrees, largest first: what is needed to go on, and no more.

    `size` counts the leaves; `peaks` holds one hash for each bit of it that is set.
    """

    def __init__(self, size: int = 0, peaks: Iterable[bytes] = ()) -> None:
        self.size, self.peaks = size, list(peaks)
        if size < 0 or len(self.peaks) != size.bit_count():
            raise ValueError(f"A tree of {size} leaves has {size.bit_count()} full subtrees.")

    def append(self, leaf: bytes) -> None:
        size = self.size
        while size & 1:
            leaf = _node(self.peaks.pop(), leaf)
            size >>= 1
        self.peaks.append(leaf)
        self.size += 1

    def root(self) -> bytes:
        if not self.peaks:
            return EMPTY
        root = self.peaks[-1]
        for peak in reversed(self.peaks[:-1]):
            root = _node(peak, root)
        return root


class Tree:
    """All leaves with every full subtree above them, built once for many proofs. About 130 bytes a leaf."""

    def __init__(self, leaf_hashes: Sequence[bytes]) -> None:
        self.levels = [list(leaf_hashes)]
        while len(below := self.levels[-1]) > 1:
            self.levels.append([_node(*pair) for pair in zip(below[::2], below[1::2], strict=False)])

    @property
    def size(self) -> int:
        return len(self.levels[0])

    def root(self, size: int | None = None) -> bytes:
        """The root of the first `size` leaves, all of them by default."""
        return self._span(0, self._size(size))

    def inclusion_proof(self, index: int, size: int | None = None) -> list[bytes]:
        """RFC 9162, 2.1.3.1. Raises ValueError for an index out of range."""
        end = self._size(size)
        if not 0 <= index < end:
            raise ValueError(f"There is no leaf {index} among {end}.")
        proof, start = [], 0
        while end - start > 1:
            middle = start + _split(end - start)
            if index < middle:
                proof.append(self._span(middle, end))
                end = middle
            else:
                proof.append(self._span(start, middle))
                start = middle
        return proof[::-1]

    def consistency_proof(self, old_size: int, size: int | None = None) -> list[bytes]:
        """RFC 9162, 2.1.4.1; empty for old size 0. Raises ValueError for an old size out of range."""
        end = self._size(size)
        if not 0 <= old_size <= end:
            raise ValueError(f"There is no tree of {old_size} leaves within {end}.")
        if old_size in (0, end):
            return []
        proof, start, whole = [], 0, True  # whole: the old tree is the full one that is looked at
        while old_size != end:
            middle = start + _split(end - start)
            if old_size <= middle:
                proof.append(self._span(middle, end))
                end = middle
            else:
                proof.append(self._span(start, middle))
                start, whole = middle, False
        return [*([] if whole else [self._span(start, end)]), *reversed(proof)]

    def _size(self, size: int | None) -> int:
        if size is None:
            return self.size
        if not 0 <= size <= self.size:
            raise ValueError(f"There is no tree of {size} leaves within {self.size}.")
        return size

    def _span(self, start: int, end: int) -> bytes:
        """The hash over leaves start..end, where start is a multiple of the largest full subtree in it."""
        if start == end:
            return EMPTY
        count = end - start
        if count & (count - 1) == 0:
            level = count.bit_length() - 1
            return self.levels[level][start >> level]
        middle = start + _split(count)
        return _node(self._span(start, middle), self._span(middle, end))


def _split(count: int) -> int:
    """The largest power of two below `count`."""
    return 1 << (count - 1).bit_length() - 1


def root(leaf_hashes: Iterable[bytes]) -> bytes:
    """The root over the leaves in their order; of none, the hash of nothing."""
    frontier = Frontier()
    for leaf in leaf_hashes:
        frontier.append(leaf)
    return frontier.root()


def inclusion_proof(leaf_hashes: Sequence[bytes], index: int) -> list[bytes]:
    """That the leaf stands at `index`. Raises ValueError for an index out of range."""
    return Tree(leaf_hashes).inclusion_proof(index)


def consistency_proof(leaf_hashes: Sequence[bytes], old_size: int) -> list[bytes]:
    """That the first `old_size` leaves are still what they were. Raises ValueError for an old size out of range."""
    return Tree(leaf_hashes).consistency_proof(old_size)


def verify_inclusion(leaf_hash: bytes, index: int, size: int, proof: list[bytes], root: bytes) -> bool:
    """Whether the proof leads from the leaf at `index` to the root of a tree of `size` leaves (RFC 9162, 2.1.3.2)."""
    if not (_are_counts(index, size) and 0 <= index < size and _are_hashes(proof, leaf_hash, root)):
        return False
    place, last, reached = index, size - 1, leaf_hash
    for step in proof:
        if last == 0:
            return False
        if place & 1 or place == last:
            reached = _node(step, reached)
            while place and not place & 1:
                place, last = place >> 1, last >> 1
        else:
            reached = _node(reached, step)
        place, last = place >> 1, last >> 1
    return last == 0 and reached == root


def verify_consistency(old_size: int, size: int, old_root: bytes, root: bytes, proof: list[bytes]) -> bool:
    """Whether the tree of `size` leaves begins with the one of `old_size` (RFC 9162, 2.1.4.2)."""
    if not (_are_counts(old_size, size) and 0 <= old_size <= size and _are_hashes(proof, old_root, root)):
        return False
    if old_size == 0:
        return not proof and old_root == EMPTY and (size > 0 or root == EMPTY)
    if old_size == size:
        return not proof and old_root == root
    steps = list(proof)
    if old_size & (old_size - 1) == 0:
        steps.insert(0, old_root)
    if not steps:
        return False
    place, last = old_size - 1, size - 1
    while place & 1:
        place, last = place >> 1, last >> 1
    old_reached = reached = steps[0]
    for step in steps[1:]:
        if last == 0:
            return False
        if place & 1 or place == last:
            old_reached, reached = _node(step, old_reached), _node(step, reached)
            while place and not place & 1:
                place, last = place >> 1, last >> 1
        else:
            reached = _node(reached, step)
        place, last = place >> 1, last >> 1
    return last == 0 and old_reached == old_root and reached == root


def _are_counts(*values: Any) -> bool:
    return all(type(value) is int for value in values)


def _are_hashes(proof: Any, *more: Any) -> bool:
    return isinstance(proof, list | tuple) and all(
        isinstance(value, bytes) and len(value) == HASH_BYTES for value in (*proof, *more)
    )
