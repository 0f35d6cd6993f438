"""Joined with numpy, two sources give the very scenarios that plain whole numbers give."""

from __future__ import annotations

import random
from array import array
from datetime import timedelta

import pytest

from support.weather import MONDAY
from windowcast.sky import joining, scenarios
from windowcast.sky.highs import Members


def members(drawn, first, days, count):
    # Few different highs, so that sums tie and shifts fall on halves.
    highs = array("h", [drawn.randint(-40, 40) * 5 for _ in range(days * count)])
    return Members(first_day=MONDAY + timedelta(days=first), days=days, count=count, tenths=highs)


@pytest.mark.parametrize("counts", [(51, 51), (1, 51), (31, 51), (51, 4), (2, 2)])
@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ((0, 15), (0, 46)),
        ((0, 15), (-2, 46)),
        ((0, 3), (1, 20)),
        ((0, 15), (14, 9)),
        ((0, 15), (15, 9)),
        ((0, 15), (0, 15)),
        ((0, 15), (0, 9)),
        ((3, 2), (0, 46)),
    ],
)
def test_both_ways_agree(counts, ours, theirs):
    drawn = random.Random(f"{counts}{ours}{theirs}")
    for _ in range(20):
        ensemble, extended = members(drawn, *ours, counts[0]), members(drawn, *theirs, counts[1])
        assert joining.join(ensemble, extended) == scenarios.join(ensemble, extended)


def test_one_source_alone_is_taken_as_it_is():
    alone = members(random.Random(1), 0, 15, 51)
    for pair in ((alone, None), (None, alone), (None, None)):
        assert joining.join(*pair) == scenarios.join(*pair)
