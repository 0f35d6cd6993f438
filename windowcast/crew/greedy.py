"""The rule that people use without a planner: the most urgent yard first, on the first day that
fits. The least that a plan must do, and what is given where no better one is found in time."""

from __future__ import annotations

from windowcast.crew.board import Board
from windowcast.crew.instance import Instance, Plan


def most_urgent_first(instance: Instance) -> Plan:
    """Needs by their last day to start, then by weight; each takes its earliest start that fits."""
    board = Board(instance)
    order = sorted(
        range(len(instance.needs)),
        key=lambda number: (
            not instance.needs[number].begun,
            instance.needs[number].last,
            -instance.needs[number].weight * instance.needs[number].colonies,
        ),
    )
    for need in order:
        options = instance.needs[need].options
        for number in sorted(range(len(options)), key=lambda one: options[one].start):
            found = board.fit(need, number)
            if found is not None:
                board.put(need, found.chosen)
                break
    return board.plan("most urgent first")
