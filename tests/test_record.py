"""A yard's own record, from fetches and highs put into a real store."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from support.weather import yard
from windowcast.answer import place
from windowcast.edges.settings import WeatherSettings
from windowcast.edges.store import ObservedHigh, StoredSeries, open_store, pack_tenths
from windowcast.record import record_of, site

YARD = yard()
SETTINGS = WeatherSettings(provider="open-meteo")
PLACE = place(YARD, SETTINGS)
# 07:00 in Chicago on Monday 31 August 2026 (UTC-5 in summer; from memory).
MONDAY_MORNING = datetime(2026, 8, 31, 12, tzinfo=UTC)
MONDAY = date(2026, 8, 31)
NAN = float("nan")


@pytest.fixture
def store(tmp_path):
    with open_store("sqlite:///windowcast.db", tmp_path) as opened:
        yield opened


def fetched(at, tenths, *, members=1, source="forecast", first_day=MONDAY, where=PLACE):
    return StoredSeries(
        yard=YARD.name,
        source=source,
        fetched_at=at,
        run_at=None,
        first_day=first_day,
        days=len(tenths) // members,
        scenarios=members,
        tenths=pack_tenths(tenths),
        detail={"place": where},
    )


def seen(day, tenths, origin="service", where=None):
    return ObservedHigh(
        yard=YARD.name,
        day=day,
        origin=origin,
        tenths=tenths,
        noted_at=MONDAY_MORNING,
        place=(where or site(YARD, "open-meteo")) if origin == "service" else None,
    )


def test_forecasts_stand_beside_the_highs_that_came(store):
    """Worked by hand: two issues, leads 0 to 2, the second without its last day."""
    tuesday = MONDAY + timedelta(days=1)
    store.save_forecasts(
        [
            fetched(MONDAY_MORNING, [200, 210, 220]),
            fetched(MONDAY_MORNING + timedelta(days=1), [215, None], first_day=tuesday),
        ]
    )
    store.note_observed([seen(MONDAY - timedelta(days=1), 190), seen(MONDAY, 204)])
    store.note_observed([seen(tuesday, 180), seen(tuesday, 178, origin="own")])

    found = record_of(store, YARD, PLACE, "forecast", [0, 1, 2])

    assert found is not None
    assert str(found.first_day) == "2026-08-30"
    np.testing.assert_array_equal(found.observed_c, [19.0, 20.4, 17.8])
    np.testing.assert_array_equal(
        found.forecast_c, [[NAN, NAN, NAN], [20.0, 21.0, 22.0], [21.5, NAN, NAN]]
    )
    assert found.leads.tolist() == [0, 1, 2]
    assert found.spread_k is None


def test_members_become_their_mean_and_spread(store):
    """Of 20, 22 and 24 °C the mean is 22 and the spread sqrt(8/3), from memory."""
    store.save_forecasts(
        [fetched(MONDAY_MORNING, [200, 220, 240, 180, 180, 180], members=3, source="ensemble")]
    )

    found = record_of(store, YARD, PLACE, "ensemble", range(1, 3))

    assert found is not None and found.spread_k is not None
    np.testing.assert_allclose(found.forecast_c, [[18.0, NAN]])
    np.testing.assert_allclose(found.spread_k, [[0.0, NAN]])
    today = record_of(store, YARD, PLACE, "ensemble", [0])
    assert today is not None and today.spread_k is not None
    np.testing.assert_allclose(today.forecast_c, [[22.0]])
    np.testing.assert_allclose(today.spread_k, [[np.sqrt(8 / 3)]])


def test_the_issue_day_is_the_yards_and_its_first_fetch_counts(store):
    late = datetime(2026, 9, 1, 4, 30, tzinfo=UTC)  # 23:30 on Monday in Chicago
    store.save_forecasts(
        [
            fetched(late, [300, 300]),
            fetched(MONDAY_MORNING, [200, 210]),
            fetched(late + timedelta(hours=1), [999, 230, 240]),
        ]
    )

    found = record_of(store, YARD, PLACE, "forecast", [0])

    assert found is not None
    assert str(found.first_day) == "2026-08-31"
    np.testing.assert_array_equal(found.forecast_c, [[20.0], [23.0]])


def test_another_place_and_days_to_come_are_no_part_of_it(store):
    moved = YARD._replace(latitude=45.5)
    store.save_forecasts(
        [
            fetched(MONDAY_MORNING, [200]),
            fetched(MONDAY_MORNING + timedelta(days=1), [250], where=place(moved, SETTINGS)),
            fetched(MONDAY_MORNING + timedelta(days=900), [260]),
        ]
    )
    store.note_observed([seen(MONDAY, 111, where=site(moved, "open-meteo"))])

    found = record_of(store, YARD, PLACE, "forecast", [0], until=MONDAY_MORNING)

    assert found is not None
    np.testing.assert_array_equal(found.forecast_c, [[20.0]])
    np.testing.assert_array_equal(found.observed_c, [NAN])


def test_another_ensemble_keeps_the_highs(store):
    other = SETTINGS._replace(ensemble_model="ncep_gefs025")
    store.save_forecasts([fetched(MONDAY_MORNING, [200], where=place(YARD, other))])
    store.note_observed([seen(MONDAY, 204)])

    found = record_of(store, YARD, place(YARD, other), "forecast", [0])

    assert found is not None
    np.testing.assert_array_equal(found.observed_c, [20.4])


def test_without_an_issue_there_is_no_record_and_the_invented_weather_has_none(store):
    store.note_observed([seen(MONDAY, 204)])
    invented = place(YARD, SETTINGS._replace(provider="sample"))
    store.save_forecasts([fetched(MONDAY_MORNING, [200], where=invented)])

    assert record_of(store, YARD, PLACE, "forecast", [0]) is None
    assert record_of(store, YARD, invented, "forecast", [0]) is None


@pytest.mark.parametrize(
    ("source", "leads", "words"),
    [
        ("oracle", [0], "source is 'oracle'"),
        ("forecast", [0, 2], "consecutive"),
        ("forecast", [-1, 0], "consecutive"),
        ("forecast", [], "consecutive"),
    ],
)
def test_what_cannot_be_asked(store, source, leads, words):
    with pytest.raises(ValueError, match=words):
        record_of(store, YARD, PLACE, source, leads)


def test_the_engine_takes_the_record_as_its_cases(store):
    """Half a year of exact forecasts of a smooth course: what was known is what came, each day."""
    from windowcast.sky.calibrate import cases_of
    from windowcast.sky.climate import fit_climate

    first = MONDAY - timedelta(days=180)
    course = [round(150 + 80 * np.sin(day / 28) + 20 * np.sin(day)) for day in range(200)]
    store.save_forecasts(
        fetched(
            MONDAY_MORNING - timedelta(days=180 - day),
            course[day : day + 4],
            first_day=first + timedelta(days=day),
        )
        for day in range(180)
    )
    store.note_observed(seen(first + timedelta(days=day), course[day]) for day in range(180))

    record = record_of(store, YARD, PLACE, "forecast", range(4))
    assert record is not None
    cases = cases_of(record, fit_climate(record.days, record.observed_c))

    # The last three issues reach beyond the days that were observed.
    assert cases.whole.tolist() == [True] * 177 + [False] * 3
    np.testing.assert_allclose(cases.known[:177, -4:], cases.observed[:177], atol=1e-9)
