"""The tree against published vectors, and against the definition written straight from the RFC.

Vectors: the eight test leaves of the Certificate Transparency reference and the roots of their trees of 1 to 8 leaves,
as its tests have them (merkle_tree_test of the open-source log server for RFC 6962); both from memory. The root of
no leaves is the SHA-256 of nothing (FIPS 180-4; RFC 9162, section 2.1.1).
"""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exposure.audit import merkle

LEAVES = [
    bytes.fromhex(text)
    for text in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
ROOTS = (
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
)
EMPTY_ROOT = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
# The same tests' inclusion proofs (leaf, size, hashes) and consistency proofs (old, new, hashes), from memory.
INCLUSION = [
    (0, 1, []),
    (0, 8, ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"]),
    (5, 8, ["bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"]),
    (2, 3, ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]),
    (1, 5, ["6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"]),
]  # fmt: skip
CONSISTENCY = [
    (1, 1, []),
    (1, 8, ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"]),
    (6, 8, ["0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"]),
    (2, 5, ["5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"]),
]  # fmt: skip
SIZES = st.integers(1, 140)


# The definitions of RFC 9162, sections 2.1.1, 2.1.3.1 and 2.1.4.1, word for word over lists of data.


def defined_root(data):
    if not data:
        return sha256(b"").digest()
    if len(data) == 1:
        return sha256(b"\x00" + data[0]).digest()
    k = defined_split(len(data))
    return sha256(b"\x01" + defined_root(data[:k]) + defined_root(data[k:])).digest()


def defined_split(n):
    k = 1
    while k * 2 < n:
        k *= 2
    return k


def defined_path(m, data):
    if len(data) == 1:
        return []
    k = defined_split(len(data))
    if m < k:
        return [*defined_path(m, data[:k]), defined_root(data[k:])]
    return [*defined_path(m - k, data[k:]), defined_root(data[:k])]


def defined_proof(m, data):
    def subproof(m, data, b):
        if m == len(data):
            return [] if b else [defined_root(data)]
        k = defined_split(len(data))
        if m <= k:
            return [*subproof(m, data[:k], b), defined_root(data[k:])]
        return [*subproof(m - k, data[k:], False), defined_root(data[:k])]

    return subproof(m, data, True) if m > 0 else []


def some_data(size):
    return [f"entry {number}".encode() for number in range(size)]


def hashes(data):
    return [merkle.leaf_hash(one) for one in data]


@pytest.mark.parametrize("size", range(1, 9))
def test_the_published_roots(size):
    assert merkle.root(hashes(LEAVES[:size])).hex() == ROOTS[size - 1]
    assert defined_root(LEAVES[:size]).hex() == ROOTS[size - 1]


def test_the_root_of_nothing_and_of_one_empty_leaf_differ():
    assert merkle.root([]).hex() == EMPTY_ROOT
    assert merkle.leaf_hash(b"").hex() == ROOTS[0]


@pytest.mark.parametrize(("index", "size", "proof"), INCLUSION)
def test_the_published_inclusion_proofs(index, size, proof):
    leaves, proof = hashes(LEAVES[:size]), [bytes.fromhex(step) for step in proof]
    assert merkle.inclusion_proof(leaves, index) == proof
    assert merkle.verify_inclusion(leaves[index], index, size, proof, bytes.fromhex(ROOTS[size - 1]))


@pytest.mark.parametrize(("old", "size", "proof"), CONSISTENCY)
def test_the_published_consistency_proofs(old, size, proof):
    proof = [bytes.fromhex(step) for step in proof]
    assert merkle.consistency_proof(hashes(LEAVES[:size]), old) == proof
    old_root, root = bytes.fromhex(ROOTS[old - 1]), bytes.fromhex(ROOTS[size - 1])
    assert merkle.verify_consistency(old, size, old_root, root, proof)


@pytest.mark.parametrize("size", range(34))
def test_every_proof_of_every_small_tree_is_the_defined_one_and_holds(size):
    data = some_data(size)
    leaves, root = hashes(data), defined_root(data)
    assert merkle.root(leaves) == root
    for index in range(size):
        proof = merkle.inclusion_proof(leaves, index)
        assert proof == defined_path(index, data)
        assert merkle.verify_inclusion(leaves[index], index, size, proof, root)
    for old in range(size + 1):
        proof = merkle.consistency_proof(leaves, old)
        assert proof == defined_proof(old, data)
        assert merkle.verify_consistency(old, size, defined_root(data[:old]), root, proof)


@given(SIZES, st.data())
def test_larger_trees_too(size, draw):
    data = some_data(size)
    leaves, root = hashes(data), defined_root(data)
    index, old = draw.draw(st.integers(0, size - 1)), draw.draw(st.integers(0, size))
    assert merkle.root(leaves) == root
    assert merkle.inclusion_proof(leaves, index) == defined_path(index, data)
    assert merkle.consistency_proof(leaves, old) == defined_proof(old, data)


@given(SIZES, st.data())
def test_one_tree_proves_every_smaller_one(size, draw):
    data = some_data(size)
    tree, within = merkle.Tree(hashes(data)), draw.draw(st.integers(1, size))
    index, old = draw.draw(st.integers(0, within - 1)), draw.draw(st.integers(0, within))
    assert tree.root(within) == defined_root(data[:within])
    assert tree.inclusion_proof(index, within) == defined_path(index, data[:within])
    assert tree.consistency_proof(old, within) == defined_proof(old, data[:within])


@given(SIZES, st.data())
def test_a_tree_that_stopped_and_went_on_has_the_same_root(size, draw):
    data = some_data(size)
    leaves, stop = hashes(data), draw.draw(st.integers(0, size))
    before = merkle.Frontier()
    for leaf in leaves[:stop]:
        before.append(leaf)
    assert before.root() == defined_root(data[:stop])
    after = merkle.Frontier(before.size, before.peaks)
    for leaf in leaves[stop:]:
        after.append(leaf)
    assert (after.size, after.root()) == (size, defined_root(data))


# What must be refused.


def spoilt(proof):
    """Every way to spoil a proof: one bit of each step, a step less, one more, two exchanged."""
    for number, step in enumerate(proof):
        yield [*proof[:number], bytes([step[0] ^ 1]) + step[1:], *proof[number + 1 :]]
        yield [*proof[:number], *proof[number + 1 :]]
        yield [*proof[:number], step, *proof[number:]]
    for number in range(len(proof) - 1):
        if proof[number] != proof[number + 1]:
            yield [*proof[:number], proof[number + 1], proof[number], *proof[number + 2 :]]
    yield [*proof, bytes(32)]
    yield [bytes(32), *proof]
    if proof:
        yield proof[::-1] if proof != proof[::-1] else []


@pytest.mark.parametrize("size", range(1, 18))
def test_no_other_leaf_place_size_root_or_proof_is_included(size):
    data = some_data(size)
    leaves, root = hashes(data), defined_root(data)
    for index in range(size):
        proof = merkle.inclusion_proof(leaves, index)
        for other in {*range(-1, size + 2)} - {index}:
            assert not merkle.verify_inclusion(leaves[index], other, size, proof, root)
        for other in (
            merkle.leaf_hash(b"another"),
            data[index].ljust(32)[:32],
            root if size > 1 else bytes(32),
        ):
            assert not merkle.verify_inclusion(other, index, size, proof, root)
        for wrong in spoilt(proof):
            assert not merkle.verify_inclusion(leaves[index], index, size, wrong, root)
        assert not merkle.verify_inclusion(leaves[index], index, size, proof, bytes(32))
        for other in (0, -size, index, 2 * size + 1):
            assert not merkle.verify_inclusion(leaves[index], index, other, proof, root)


@pytest.mark.parametrize("size", range(1, 18))
def test_no_other_size_root_or_proof_is_consistent(size):
    data = some_data(size)
    leaves, root = hashes(data), defined_root(data)
    for old in range(size + 1):
        old_root, proof = defined_root(data[:old]), merkle.consistency_proof(leaves, old)
        for wrong in spoilt(proof):
            assert not merkle.verify_consistency(old, size, old_root, root, wrong)
        assert not merkle.verify_consistency(old, size, bytes(32), root, proof)
        if old:
            assert not merkle.verify_consistency(old, size, old_root, bytes(32), proof)
        if old != size:
            assert not merkle.verify_consistency(size, old, root, old_root, proof)
        for other in {*range(-1, size + 1)} - {old}:
            assert not merkle.verify_consistency(other, size, old_root, root, proof)


def test_a_history_that_was_rewritten_has_no_proof():
    data = some_data(13)
    for changed in range(7):
        other = [*data]
        other[changed] = b"rewritten"
        proof = merkle.consistency_proof(hashes(other), 7)
        assert not merkle.verify_consistency(7, 13, defined_root(data[:7]), defined_root(other), proof)
        assert not merkle.verify_consistency(7, 13, defined_root(data[:7]), defined_root(data), proof)


def test_an_inner_node_is_no_leaf():
    """RFC 9162, section 2.1.1: the prefixes are there so that a node cannot be shown as an entry."""
    leaves = hashes(some_data(4))
    node = merkle.root(leaves[:2])
    assert merkle.leaf_hash(leaves[0] + leaves[1]) != node
    assert not merkle.verify_inclusion(node, 0, 4, [merkle.root(leaves[2:])], merkle.root(leaves))


def test_the_empty_tree():
    empty, leaves = merkle.root([]), hashes(some_data(3))
    root = merkle.root(leaves)
    assert merkle.consistency_proof([], 0) == merkle.consistency_proof(leaves, 0) == []
    assert merkle.verify_consistency(0, 0, empty, empty, [])
    assert merkle.verify_consistency(0, 3, empty, root, [])
    assert not merkle.verify_consistency(0, 3, root, root, [])
    assert not merkle.verify_consistency(0, 3, empty, root, [root])
    assert not merkle.verify_consistency(0, 0, empty, root, [])
    assert not merkle.verify_consistency(0, 0, root, root, [])


def test_equal_sizes_need_equal_roots_and_no_proof():
    root, other = merkle.root(hashes(some_data(5))), merkle.root(hashes(some_data(6)))
    assert merkle.verify_consistency(5, 5, root, root, [])
    assert not merkle.verify_consistency(5, 5, root, other, [])
    assert not merkle.verify_consistency(5, 5, root, root, [root])


@pytest.mark.parametrize("index", [-1, 3, 4, 10**30])
def test_a_proof_for_what_is_not_there_is_refused(index):
    with pytest.raises(ValueError, match="There is no leaf"):
        merkle.inclusion_proof(hashes(some_data(3)), index)
    with pytest.raises(ValueError, match="There is no tree"):
        merkle.consistency_proof(hashes(some_data(3)), index if index != 3 else 5)
    with pytest.raises(ValueError, match="There is no leaf"):
        merkle.inclusion_proof([], 0)


@pytest.mark.parametrize(("size", "peaks"), [(-1, []), (0, [bytes(32)]), (3, [bytes(32)]), (4, [])])
def test_a_frontier_that_is_none_is_refused(size, peaks):
    with pytest.raises(ValueError, match="full subtrees"):
        merkle.Frontier(size, peaks)


ODD = st.one_of(st.none(), st.integers(-(2**70), 2**70), st.floats(), st.text(), st.booleans(), st.binary())


@given(
    leaf=st.one_of(st.binary(min_size=32, max_size=32), ODD),
    numbers=st.tuples(ODD, ODD),
    proof=st.one_of(ODD, st.lists(ODD), st.lists(st.binary(min_size=32, max_size=32))),
    root=st.one_of(st.binary(min_size=32, max_size=32), ODD),
)
def test_nonsense_is_answered_with_no_and_never_raises(leaf, numbers, proof, root):
    assert merkle.verify_inclusion(leaf, *numbers, proof, root) is False
    if numbers != (0, 0) and numbers[0] != numbers[1]:
        assert merkle.verify_consistency(*numbers, leaf, root, proof) is False


def test_a_proof_of_a_million_steps_ends():
    leaf = merkle.leaf_hash(b"x")
    assert not merkle.verify_inclusion(leaf, 0, 2**20, [leaf] * 1_000_000, leaf)
    assert not merkle.verify_inclusion(leaf, 0, 2**200_000, [leaf] * 10, leaf)
