"""Exact bounds of a decision table under unknown answers."""

from collections.abc import Sequence

from exposure.classify.table import Table

UNKNOWN = 255
State = tuple[int, int]  # rules still open, highest rank reached (-1: none)


class Diagram:
    """Ranks: tier positions, then `uncovered` (counts as the highest tier), then `impossible` (no completion)."""

    def __init__(self, table: Table) -> None:
        self.sizes = [fact.size for fact in table.facts]
        codes = [tier.code for tier in table.tiers]
        self.uncovered, self.impossible = len(codes), len(codes) + 1
        self.base = self.uncovered if table.otherwise is None else codes.index(table.otherwise)
        ranked = sorted((codes.index(rule.tier), rule.sets) for rule in table.rules)
        ranked += [(self.impossible, sets) for sets in table.impossible]
        self.ranks = [rank for rank, _ in ranked]
        everything = (1 << len(ranked)) - 1
        self.above = [
            sum(1 << i for i, r in enumerate(self.ranks) if r > best) for best in range(-1, len(codes) + 2)
        ]
        self.match = [[everything] * size for size in self.sizes]
        self.ended = [0] * (len(self.sizes) + 1)
        for bit, (_, sets) in enumerate(ranked):
            self.ended[sets[-1][0] + 1 if sets else 0] |= 1 << bit
            for place, answers in sets:
                for position in range(self.sizes[place]):
                    if not answers >> position & 1:
                        self.match[place][position] &= ~(1 << bit)
        self.start = self._settle(0, everything, -1)

    def _settle(self, place: int, live: int, best: int) -> State:
        ended = live & self.ended[place]
        if ended:
            best = max(best, self.ranks[ended.bit_length() - 1])
        return live & ~self.ended[place] & self.above[best + 1], best

    def _step(self, place: int, state: State, position: int) -> State:
        return self._settle(place + 1, state[0] & self.match[place][position], state[1])

    def _rank(self, state: State) -> int:
        return self.base if state[1] < 0 else state[1]

    def bounds(self, known: Sequence[int]) -> tuple[int, int] | None:
        """Lowest and highest rank over all completions; None if there is none. 255 is unknown."""
        memo: dict[tuple[int, State], tuple[int, int] | None] = {}

        def visit(place: int, state: State) -> tuple[int, int] | None:
            if place == len(self.sizes):
                rank = self._rank(state)
                return None if rank == self.impossible else (rank, rank)
            if (place, state) not in memo:
                tried = range(self.sizes[place]) if known[place] == UNKNOWN else (known[place],)
                below = [visit(place + 1, self._step(place, state, position)) for position in tried]
                found = [pair for pair in below if pair]
                memo[place, state] = (min(f for f, _ in found), max(c for _, c in found)) if found else None
            return memo[place, state]

        return visit(0, self.start)

    def differs(self, known: Sequence[int], asked: int) -> bool:
        """Do two completions that differ in the asked fact alone have different tiers?"""
        seen: set[tuple[int, State, State]] = set()
        highest = self.uncovered - 1

        def visit(place: int, one: State, other: State) -> bool:
            if one == other or (place, one, other) in seen:
                return False
            if place == len(self.sizes):
                ranks = self._rank(one), self._rank(other)
                return self.impossible not in ranks and min(ranks[0], highest) != min(ranks[1], highest)
            seen.add((place, one, other))
            size = self.sizes[place]
            if place == asked:
                pairs = [(a, b) for a in range(size) for b in range(a)]
            else:
                pairs = [(a, a) for a in (range(size) if known[place] == UNKNOWN else (known[place],))]
            return any(
                visit(place + 1, self._step(place, one, a), self._step(place, other, b)) for a, b in pairs
            )

        def before(place: int, state: State) -> bool:
            if place == asked:
                return any(
                    visit(place + 1, self._step(place, state, a), self._step(place, state, b))
                    for a in range(self.sizes[place])
                    for b in range(a)
                )
            tried = range(self.sizes[place]) if known[place] == UNKNOWN else (known[place],)
            return any(before(place + 1, self._step(place, state, a)) for a in tried)

        return before(0, self.start)
