"""What a yard's picture is made of comes from what is stored, and only from that."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from support.journey import TREATMENTS, settings, yard_table
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.edges.store import ObservedHigh, StoredPastYears, pack_tenths
from windowcast.past_years import cell
from windowcast.picture import yard_picture
from windowcast.record import site

NOW = datetime(2026, 9, 1, 15, 0, tzinfo=UTC)
TODAY = date(2026, 9, 1)
NOBODY = "http://127.0.0.1:9/v1/forecast"


@pytest.fixture
def configuration(tmp_path):
    (tmp_path / "treatments.toml").write_text(TREATMENTS, "utf-8")
    (tmp_path / "yards.toml").write_text(yard_table("Creek Bend", 44.9, -99.7, "Etc/GMT"), "utf-8")
    (tmp_path / "windowcast.toml").write_text(settings(forecast=NOBODY), "utf-8")
    return config.load(tmp_path, {}, secrets=())


def observed(yard, where, day, high_c, origin):
    return ObservedHigh(
        yard=yard.name, day=day, origin=origin, tenths=round(high_c * 10), noted_at=NOW, place=where
    )


def test_observed_highs_are_the_yards_own_and_those_of_where_it_stands(configuration):
    yard = configuration.yards[0]
    here = site(yard, "open-meteo")
    elsewhere = site(yard._replace(latitude=10.0), "open-meteo")
    days = [TODAY - timedelta(days=n) for n in range(5)]
    with open_store(configuration) as store:
        store.note_observed(
            [
                observed(yard, here, days[1], 21.0, "service"),
                observed(yard, None, days[1], 21.6, "own"),
                observed(yard, here, days[2], 19.5, "service"),
                observed(yard, elsewhere, days[3], 30.0, "service"),
            ]
        )
        of = yard_picture(configuration, store, yard, NOW)

    known = {one.day: one.observed_c for one in of.days if one.observed_c is not None}
    assert known == {days[1]: 21.6, days[2]: 19.5}
    assert (of.known, of.start) == (False, None)


def test_the_usual_range_is_that_of_the_kept_past_years(configuration):
    """By numpy's quantiles, method "median_unbiased" (Hyndman & Fan 1996, definition 8)."""
    yard = configuration.yards[0]
    first = date(1996, 1, 1)
    tenths = np.random.default_rng(1).integers(50, 350, (TODAY - first).days - 3)
    with open_store(configuration) as store:
        before = yard_picture(configuration, store, yard, NOW)
        store.save_past_years(
            StoredPastYears(
                place=cell(yard),
                fetched_at=NOW - timedelta(days=900),
                first_day=first,
                tenths=pack_tenths([int(one) for one in tenths]),
            )
        )
        of = yard_picture(configuration, store, yard, NOW)

    assert {one.normal for one in before.days} == {None}
    middles = [(date(year, 9, 1) - first).days for year in range(1996, 2026)]
    within = [tenths[middle - 2 : middle + 3] / 10 for middle in middles]
    wanted = np.quantile(np.ravel(within), [0.1, 0.9], method="median_unbiased")
    assert of.on(TODAY).normal == pytest.approx(wanted)
