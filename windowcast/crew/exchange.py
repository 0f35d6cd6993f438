"""A whole solution of the program made better by exchanges: a few needs of one crew day are taken
out, and they and some that wait are put in again wherever they now fit best."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence

ENOUGH = 1e-9


class Exchange:
    """One solution, changed in place; it never gets worse.

    worth:  of each column
    uses:   of each column the rows that it uses, and how much of each
    own:    of each column its need
    room:   what is left of each row
    taken:  by need, its column in the solution
    """

    def __init__(
        self,
        worth: Sequence[float],
        uses: Sequence[Sequence[tuple[int, float]]],
        own: Sequence[int],
        room: Sequence[float],
        taken: Mapping[int, int],
    ) -> None:
        self.worth, self.uses = worth, uses
        self.room, self.taken = list(room), dict(taken)
        self.ways: dict[int, list[int]] = {}
        for column in sorted(range(len(worth)), key=lambda one: -worth[one]):
            if worth[column] > 0:
                self.ways.setdefault(own[column], []).append(column)
        self.users: dict[int, set[int]] = {}
        for need, column in self.taken.items():
            for row, _ in uses[column]:
                self.users.setdefault(row, set()).add(need)
        self.waiting = [need for need in self.ways if need not in self.taken]

    def improve(self, rounds: int, *, seed: int) -> None:
        """Try so many exchanges."""
        chance = random.Random(seed)  # noqa: S311
        rows = [row for row, users in self.users.items() if len(users) > 1]
        for _ in range(rounds if rows else 0):
            users = sorted(self.users[chance.choice(rows)])
            if not users:
                continue
            out = chance.sample(users, min(len(users), chance.choice((1, 2, 3))))
            others = chance.sample(self.waiting, min(len(self.waiting), 4))
            order = [*out, *others]
            chance.shuffle(order)
            self._try(out, order, sideways=chance.random() < 0.5)

    def _try(self, out: Sequence[int], order: Sequence[int], *, sideways: bool) -> None:
        before = {need: self.taken[need] for need in out}
        for column in before.values():
            self._give_back(column)
        after: dict[int, int] = {}
        for need in order:
            for column in self.ways[need]:
                if self._fits(column):
                    self._use(column)
                    after[need] = column
                    break
        gain = sum(self.worth[one] for one in after.values())
        gain -= sum(self.worth[one] for one in before.values())
        if gain > ENOUGH or (sideways and gain > -ENOUGH):
            self._keep(before, after)
            return
        for column in after.values():
            self._give_back(column)
        for column in before.values():
            self._use(column)

    def _keep(self, before: Mapping[int, int], after: Mapping[int, int]) -> None:
        for need, column in before.items():
            del self.taken[need]
            for row, _ in self.uses[column]:
                self.users[row].discard(need)
        for need, column in after.items():
            self.taken[need] = column
            for row, _ in self.uses[column]:
                self.users.setdefault(row, set()).add(need)
        still = [need for need in self.waiting if need not in self.taken]
        self.waiting = still + [need for need in before if need not in self.taken]

    def _fits(self, column: int) -> bool:
        room = self.room
        return all(amount <= room[row] + ENOUGH for row, amount in self.uses[column])

    def _use(self, column: int) -> None:
        for row, amount in self.uses[column]:
            self.room[row] -= amount

    def _give_back(self, column: int) -> None:
        for row, amount in self.uses[column]:
            self.room[row] += amount
