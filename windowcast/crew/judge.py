"""What a plan is worth against the weather: over the scenarios, and in a bad one of ten."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from windowcast.crew.instance import Chosen, Instance

BAD = 0.1
"""One scenario in ten may be worse than what is called bad."""


class Judgement(NamedTuple):
    """Colonies treated by a plan, and how many of them in a window that holds.

    yards, colonies:  whose treatment the plan starts
    expected:         colonies whose window holds, over the scenarios
    bad:              so many or more in nine scenarios of ten; None: the yards' scenarios are not
                      those of one weather, or there are none
    """

    yards: int
    colonies: int
    expected: float
    bad: int | None


def judge(instance: Instance, chosen: Mapping[int, Chosen]) -> Judgement:
    """Hold a plan against every scenario at once: what one warm spell ruins, it ruins together.

    Scenario number n of one yard is held to be the weather of number n of all others, as members of
    one ensemble are.
    """
    begun = []
    for need, one in chosen.items():
        if instance.needs[need].starts:
            option = instance.needs[need].options[one.option]
            begun.append((instance.needs[need].colonies, option))
    numbers = {option.of for _, option in begun}
    bad = None
    if len(numbers) == 1 and 0 not in numbers:
        (count,) = numbers
        totals = [0] * count
        for colonies, option in begun:
            for number in range(count):
                if option.held >> number & 1:
                    totals[number] += colonies
        bad = sorted(totals)[int(BAD * count)]
    return Judgement(
        yards=len(begun),
        colonies=sum(colonies for colonies, _ in begun),
        expected=sum(colonies * option.chance for colonies, option in begun),
        bad=bad,
    )
