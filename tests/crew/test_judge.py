"""A plan against the scenarios."""

from __future__ import annotations

import random

import numpy as np
import pytest

from windowcast.crew.instance import Chosen, Crew, Instance, Need, Option, Placed, Stop
from windowcast.crew.judge import judge

STOP = Stop("apply", (0,), 10.0, 5.0)


def task(rows: list[tuple[int, int, int]], *, starts: bool = True) -> Instance:
    """One need for each (colonies, scenarios that hold as bits, scenarios)."""
    return Instance(
        crews=(Crew("A", 2, 0, (480.0,)),),
        needs=tuple(
            Need(str(number), str(number), 0, colonies, 0,
                 (Option(0, "t", "r", (STOP,), 1.0, bits.bit_count() / max(of, 1), bits, of),),
                 starts=starts)
            for number, (colonies, bits, of) in enumerate(rows)
        ),
        roads=[[0.0]],
        days=1,
    )  # fmt: skip


def chosen(made: Instance) -> dict[int, Chosen]:
    return {number: Chosen(0, (Placed(0, 0),)) for number in range(len(made.needs))}


@pytest.mark.parametrize("of", [10, 50, 51, 204])
def test_what_is_expected_and_what_nine_of_ten_scenarios_leave(of: int):
    chance = random.Random(of)
    rows = [(chance.randint(5, 40), chance.getrandbits(of), of) for _ in range(12)]
    totals = [
        sum(colonies for colonies, bits, _ in rows if bits >> number & 1) for number in range(of)
    ]

    found = judge(task(rows), chosen(task(rows)))

    assert found.expected == pytest.approx(np.mean(totals))
    assert found.bad is not None
    assert np.mean([total >= found.bad for total in totals]) >= 0.9
    better = [total for total in sorted(set(totals)) if total > found.bad]
    if better:
        assert (
            np.mean([total >= better[0] for total in totals]) < 0.9 + 1e-9
            or len([one for one in totals if one < better[0]]) <= of // 10 + 1
        )
    assert (found.yards, found.colonies) == (12, sum(row[0] for row in rows))


def test_one_warm_spell_ruins_yards_together_and_not_each_for_itself():
    together = task([(10, 0b0111111111, 10), (10, 0b0011111111, 10)])
    apart = task([(10, 0b0011111111, 10), (10, 0b1111111100, 10)])

    assert judge(together, chosen(together)).bad == 10
    assert judge(apart, chosen(apart)).expected == 16.0
    assert judge(apart, chosen(apart)).bad == 10


def test_yards_with_other_scenarios_are_not_held_against_one_weather():
    made = task([(10, 1, 1), (10, 3, 2)])

    assert judge(made, chosen(made)).bad is None


def test_jobs_in_hand_are_no_treatment_begun():
    made = task([(10, 1, 1)], starts=False)

    assert judge(made, chosen(made)) == (0, 0, 0, None)
