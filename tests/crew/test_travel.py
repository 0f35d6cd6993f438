"""Distances and minutes of driving."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from sklearn.metrics.pairwise import haversine_distances

from windowcast.crew.travel import EARTH_KM, Point, great_circle_km, roads


def test_distances_are_those_of_scikit_learn():
    chance = random.Random(1)
    points = [Point(chance.uniform(-80, 80), chance.uniform(-179, 179)) for _ in range(30)]
    theirs = haversine_distances(np.radians(points)) * EARTH_KM

    for row, one in enumerate(points):
        for column, other in enumerate(points):
            assert great_circle_km(one, other) == pytest.approx(theirs[row][column], abs=1e-6)


def test_a_minute_of_latitude_is_a_nautical_mile_within_its_rounding():
    """1 852 m since 1929 (International Hydrographic Conference, Monaco); the mean sphere gives
    1 853.2 m."""
    assert great_circle_km(Point(45, 7), Point(45 + 1 / 60, 7)) == pytest.approx(1.852, rel=0.001)


def test_across_the_date_line_is_near():
    assert great_circle_km(Point(0, 179.9), Point(0, -179.9)) == pytest.approx(
        EARTH_KM * math.radians(0.2)
    )


def test_minutes_are_distance_by_the_road_factor_and_the_speed():
    near, far = Point(45, -100), Point(45.5, -100)

    table = roads([near, far], road_factor=1.4, speed_kmh=70)

    assert table[0][1] == pytest.approx(great_circle_km(near, far) * 1.4 / 70 * 60)
    assert table[0][0] == 0.0


def test_minutes_that_are_given_stand_and_go_both_ways_unless_both_are_given():
    places = [Point(45, -100), Point(45.5, -100), Point(46, -100)]

    table = roads(places, given={(0, 1): 17.0, (1, 2): 30.0, (2, 1): 33.0})

    assert (table[0][1], table[1][0]) == (17.0, 17.0)
    assert (table[1][2], table[2][1]) == (30.0, 33.0)
    assert table[0][2] > 0
