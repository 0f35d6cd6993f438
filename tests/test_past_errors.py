"""What a yard's record does to its next chance: invented fetches and highs in a real store."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from support.weather import yard
from windowcast import chance
from windowcast.answer import place, stored_weather
from windowcast.edges.config import load
from windowcast.edges.settings import WeatherSettings
from windowcast.edges.shipped import config_folder
from windowcast.edges.store import ObservedHigh, StoredPastYears, StoredSeries, open_store
from windowcast.past_errors import PastErrors, distance_km, previous, recent
from windowcast.past_years import cell
from windowcast.record import site
from windowcast.sky import calibrate as engine
from windowcast.sky.climate import fit_climate

NOW = datetime(2026, 8, 31, 12, tzinfo=UTC)
TODAY = date(2026, 8, 31)
DAYS, MEMBERS = 15, 21
CREEK = yard()
NEAR = CREEK._replace(name="Lower Meadow", latitude=CREEK.latitude + 0.4)
FAR = CREEK._replace(name="South Slope", latitude=CREEK.latitude - 5)


def climate_c(day: date) -> float:
    return 15 + 12 * math.sin(0.0172 * (day.timetuple().tm_yday - 100))


def weather(seed: int) -> dict[date, float]:
    """AR(1) departures, in K, of the past year and the days to come."""
    drawn = np.random.default_rng(seed)
    found, value = {}, 0.0
    for back in range(440, -DAYS - 1, -1):
        value = 0.6 * value + math.sqrt(1 - 0.36) * drawn.normal(0, 4)
        found[TODAY - timedelta(days=back)] = value
    return found


@pytest.fixture
def configuration():
    shipped = load(config_folder(), {})
    return shipped._replace(
        weather=WeatherSettings(provider="open-meteo"),
        yards=(CREEK, NEAR, FAR),
    )


@pytest.fixture
def store(tmp_path):
    with open_store("sqlite:///windowcast.db", tmp_path) as opened:
        years = np.random.default_rng(1)
        first = date(1996, 1, 1)
        count = (TODAY - timedelta(days=6) - first).days
        tenths = [
            round(10 * (climate_c(first + timedelta(days=n)) + years.normal(0, 4)))
            for n in range(count)
        ]
        for each in (CREEK, NEAR, FAR):
            opened.save_past_years(
                StoredPastYears(
                    place=cell(each),
                    fetched_at=NOW,
                    first_day=first,
                    tenths=np.array(tenths, "<i2").tobytes(),
                )
            )
        yield opened


def issue(configuration, each, day: date, truth, *, bias_k: float, source="ensemble"):
    """An ensemble whose mean misses by bias_k and a little noise."""
    drawn = np.random.default_rng([day.toordinal(), len(each.name)])
    ahead = [day + timedelta(days=n) for n in range(DAYS)]
    mean = np.array([climate_c(one) + truth[one] if one in truth else 20.0 for one in ahead])
    high_c = mean[:, None] + bias_k + drawn.normal(0, 1.5, (DAYS, 1))
    high_c = high_c + drawn.normal(0, 2, (DAYS, MEMBERS if source == "ensemble" else 1))
    fetched = datetime.combine(day, NOW.timetz())
    return StoredSeries(
        yard=each.name,
        source=source,
        fetched_at=fetched,
        run_at=None,
        first_day=day,
        days=DAYS,
        scenarios=high_c.shape[1],
        tenths=np.rint(high_c * 10).astype("<i2").tobytes(),
        detail={"place": place(each, configuration.weather)},
    )


def keep(configuration, store, each, mornings: int, *, bias_k: float, source="ensemble"):
    """So many mornings of fetches up to today, and the highs that came."""
    truth = weather(3)
    days = [TODAY - timedelta(days=back) for back in range(mornings, -1, -1)]
    store.save_forecasts(
        [issue(configuration, each, day, truth, bias_k=bias_k, source=source) for day in days]
    )
    store.note_observed(
        [
            ObservedHigh(
                yard=each.name,
                day=day,
                origin="service",
                tenths=round(10 * (climate_c(day) + truth[day])),
                noted_at=NOW,
                place=site(each, "open-meteo"),
            )
            for day in days[:-1]
        ]
    )
    return truth


def corrected(configuration, store, each):
    said: list[str] = []
    chance.correct(configuration, store, [each], now=NOW, say=said.append)
    assert said == []
    found = stored_weather(configuration, store, each, NOW).scenarios
    assert found is not None
    high_c = np.array(found.tenths).reshape(found.days, found.count) / 10
    return high_c, found.how


@pytest.mark.parametrize("source", ["ensemble", "forecast"])
def test_a_bias_that_the_record_shows_is_taken_out(configuration, store, source):
    """The error is measured against the truth of the synthetic weather, days 1 to 3 ahead."""
    truth = keep(configuration, store, CREEK, 300, bias_k=4.0, source=source)

    high_c, how = corrected(configuration, store, CREEK)

    ahead = [TODAY + timedelta(days=n) for n in range(1, 4)]
    true_c = np.array([climate_c(day) + truth[day] for day in ahead])
    raw = issue(configuration, CREEK, TODAY, truth, bias_k=4.0, source=source)
    raw_c = np.frombuffer(raw.tenths, "<i2").reshape(DAYS, -1).mean(axis=1)[1:4] / 10
    missed_k, left_k = (raw_c - true_c).mean(), (high_c[1:4].mean(axis=1) - true_c).mean()
    assert missed_k > 2.5
    assert abs(left_k) < missed_k / 2
    assert "past errors by days ahead" in how


def test_without_a_record_the_built_in_errors_stand(configuration, store):
    keep(configuration, store, CREEK, 0, bias_k=4.0)

    _, how = corrected(configuration, store, CREEK)

    assert "built-in errors" in how


def test_yesterdays_high_and_yesterdays_issue_move_the_course(configuration, store):
    """With persistence 0.6 a cold yesterday is followed by a colder today, all else the same."""
    today_only = issue(configuration, CREEK, TODAY, {}, bias_k=0.0)
    store.save_forecasts([today_only])
    alone, _ = corrected(configuration, store, CREEK)
    yesterday = TODAY - timedelta(days=1)
    store.note_observed(
        [
            ObservedHigh(
                yard=CREEK.name, day=yesterday, origin="own", tenths=40, noted_at=NOW, place=None
            )
        ]
    )
    cold, _ = corrected(configuration, store, CREEK)
    assert cold[0].mean() < alone[0].mean() - 0.3

    switched_off = configuration._replace(chance=configuration.chance._replace(recent=False))
    without, _ = corrected(switched_off, store, CREEK)
    assert without[0].mean() == pytest.approx(alone[0].mean(), abs=0.3)


def test_a_new_yard_learns_from_a_near_one_and_less_than_from_itself(configuration, store):
    keep(configuration, store, NEAR, 300, bias_k=4.0)
    keep(configuration, store, CREEK, 0, bias_k=4.0)
    climates = {}

    def climate_of(each):
        if each.name not in climates:
            kept = store.past_years(cell(each))
            days = np.datetime64(kept.first_day) + np.arange(len(kept.tenths) // 2)
            climates[each.name] = fit_climate(days, np.frombuffer(kept.tenths, "<i2") / 10)
        return climates[each.name]

    errors = PastErrors(configuration, store, climate_of, now=NOW)
    first = np.datetime64(TODAY)

    def known(each):
        own = errors.record(each, "ensemble", range(DAYS))
        return errors.statistics(each, "ensemble", range(DAYS), first, climate_of(each), own)

    new, old, far = known(CREEK), known(NEAR), known(FAR._replace(name="Mill Yard"))

    assert 0 < float(new.cases[0]) < 0.5 * float(old.cases[0])
    bias = [one.bias(0.0)[1] for one in (far, new, old)]
    assert bias[0] == 0.0 < bias[1] < bias[2]


def test_a_year_of_its_own_needs_no_other_yard(configuration, store):
    keep(configuration, store, NEAR, 300, bias_k=4.0)
    keep(configuration, store, CREEK, 300, bias_k=0.0)
    alone = configuration._replace(yards=(CREEK, FAR))

    both, _ = corrected(configuration, store, CREEK)
    one, _ = corrected(alone, store, CREEK)

    np.testing.assert_array_equal(both, one)


def test_many_yards_spread_over_processes_get_what_each_gets_alone(configuration, store, tmp_path):
    many = tuple(
        CREEK._replace(name=f"Yard {number}", latitude=CREEK.latitude + number / 10_000)
        for number in range(chance.MANY_YARDS)
    )
    configuration = configuration._replace(
        yards=many, folder=tmp_path, store_url="sqlite:///windowcast.db"
    )
    store.save_forecasts(
        [issue(configuration, each, TODAY, weather(3), bias_k=0.0) for each in many]
    )
    said: list[str] = []

    chance.correct(configuration, store, many, now=NOW, say=said.append)

    assert said == []
    for each in (many[0], many[-1]):
        spread = store.newest(each.name, place=place(each, configuration.weather))["scenarios"]
        chance.correct(configuration, store, [each], now=NOW, say=said.append)
        alone = store.newest(each.name, place=place(each, configuration.weather))["scenarios"]
        assert spread.tenths == alone.tenths
        assert spread.detail == alone.detail


def test_what_the_yard_saw_counts_before_what_the_archive_says():
    """Worked by hand: three days up to yesterday, the middle one seen at the yard."""
    record = engine.Record(
        first_day=np.datetime64("2026-08-29"),
        observed_c=np.array([21.0, np.nan]),
        forecast_c=np.array([[20.0, 21.0], [22.0, 23.0]]),
        leads=np.array([0, 1]),
    )
    past = np.array([18.0, 19.0, np.nan])

    np.testing.assert_array_equal(recent(record, past, TODAY, 3), [18.0, 21.0, np.nan])
    np.testing.assert_array_equal(recent(None, past, TODAY, 3), past)
    said = previous(record, TODAY)
    assert said is not None and said.tolist() == [23.0]
    assert previous(record, TODAY + timedelta(days=1)) is None
    assert previous(None, TODAY) is None


def test_distance_agrees_with_a_degree_of_the_meridian():
    """One degree of latitude is 111.2 km on a sphere of 6371 km: pi / 180 * 6371."""
    north = CREEK._replace(latitude=CREEK.latitude + 1)

    assert distance_km(CREEK, north) == pytest.approx(111.195, abs=0.001)
    antipode = CREEK._replace(latitude=-CREEK.latitude, longitude=CREEK.longitude + 180)
    assert distance_km(CREEK, antipode) == pytest.approx(math.pi * 6371, rel=1e-7)
