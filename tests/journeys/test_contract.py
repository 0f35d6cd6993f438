"""`windowcast yard NAME --json` for any weather that a server serves, against the contract's own
sentences written out once more, slowly, from the highs that the server was given."""

from __future__ import annotations

import json
import random
import statistics
from datetime import date, timedelta
from fractions import Fraction

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.weather_server import Place, WeatherServer

CREEK = (44.9021, -99.7134)
LOW, HIGH, DANGER, COOL = Fraction(10), Fraction("29.5"), Fraction(33), Fraction(25)
REGIMENS = (("two-strips", 14, (0,), COOL), ("one-strip-swap", 20, (0, 10), None))


def course(drawn, days, mean_c, spread_k):
    """An AR(1) course of daily highs around a mean, in tenths."""
    anomaly, found = drawn.gauss(0, spread_k), []
    for _ in range(days):
        found.append(round(mean_c + anomaly, 1))
        anomaly = 0.6 * anomaly + 0.8 * drawn.gauss(0, spread_k)
    return found


def exact(value):
    return Fraction(round(value * 10), 10)


def joined(ensemble, extended):
    """Scenarios after the contract's last paragraph."""
    near = len(ensemble[0])
    shift = statistics.mean(exact(v) for column in ensemble for v in column) - statistics.mean(
        exact(v) for column in extended for v in column[:near]
    )

    def rank(columns):
        return sorted(
            range(len(columns)), key=lambda m: (sum(map(exact, columns[m][near - 3 : near])), m)
        )

    result = [[exact(value) for value in column] for column in ensemble]
    for order, one in enumerate(rank(ensemble)):
        other = rank(extended)[(2 * order + 1) * len(extended) // (2 * len(ensemble))]
        result[one] += [
            Fraction(round((exact(value) + shift) * 10), 10) for value in extended[other][near:]
        ]
    return result


def expected_rows(today, forecast, columns):
    rows = []
    highs = [exact(value) for value in forecast]
    for start in range(len(columns[0])):
        for name, length, doses, cool in REGIMENS:
            if start + length > len(columns[0]):
                continue
            spans = [column[start : start + length] for column in columns]
            inside = sum(all(LOW <= v <= HIGH for v in span) for span in spans)
            hot = sum(any(v > HIGH for v in span) for span in spans)
            cold = sum(any(v < LOW for v in span) for span in spans)
            danger = sum(
                any(span[dose + after] > DANGER for dose in doses for after in range(3))
                for span in spans
            )
            hottest = statistics.median(max(span) for span in spans)
            covered = highs[start : start + length]
            margins = [min(v - LOW, HIGH - v) for v in covered]
            near_bad = any(
                not LOW <= highs[day] <= HIGH
                for day in range(start, min(start + length, 6, len(highs)))
            )
            chance = inside / len(columns)
            rows.append(
                {
                    "start": (today + timedelta(days=start)).isoformat(),
                    "regimen": name,
                    "safe": chance >= 0.8
                    and danger / len(columns) <= 0.05
                    and (cool is None or hottest <= cool)
                    and not near_bad,
                    "fits": False
                    if any(m < 0 for m in margins)
                    else True
                    if len(covered) >= 3
                    else None,
                    "chance": round(chance, 3),
                    "too_hot": round(hot / len(columns), 3),
                    "too_cold": round(cold / len(columns), 3),
                    "danger": round(danger / len(columns), 3),
                    "hottest_c": round(float(hottest), 3),
                    "margin_c": round(float(min(margins)), 3) if margins else None,
                    "limiting_day": (
                        today + timedelta(days=start + margins.index(min(margins)))
                    ).isoformat()
                    if margins
                    else None,
                    "forecast_days": len(covered),
                    "exposure_days": length,
                }
            )
    return rows


@pytest.mark.parametrize(
    ("seed", "mean_c", "spread_k", "members", "extended_members"),
    [
        pytest.param(1, 20, 2.5, 51, 51, id="cool"),
        pytest.param(2, 25, 2.5, 51, 51, id="warm"),
        pytest.param(3, 30, 3.0, 51, 51, id="hot"),
        pytest.param(4, 13, 3.0, 31, 51, id="cold and fewer members"),
        pytest.param(5, 24, 4.0, 51, 21, id="fewer extended members"),
        pytest.param(6, 22, 0.5, 2, 3, id="very few members"),
    ],
)
def test_yard_json_is_what_the_contract_says(
    tmp_path, seed, mean_c, spread_k, members, extended_members
):
    drawn = random.Random(seed)
    zone = morning_zone()
    journey = Journey(folder=tmp_path, zone=zone)
    today = journey.today
    forecast = course(drawn, 15, mean_c, spread_k)
    ensemble = [course(drawn, 15, mean_c, spread_k) for _ in range(members)]
    extended = [course(drawn, 46, mean_c - 3, spread_k) for _ in range(extended_members)]
    served = Place(
        daily_highs=forecast, members=ensemble, extended=extended, timezone=zone, first_day=today
    )
    journey.write("treatments.toml", TREATMENTS)
    journey.write("yards.toml", yard_table("Creek Bend", *CREEK, zone))
    with WeatherServer(places={CREEK: served}) as server:
        journey.write(
            "windowcast.toml",
            settings(
                forecast=server.forecast_url,
                ensemble=server.ensemble_url,
                seasonal=server.seasonal_url,
            ),
        )
        done = journey.windowcast("yard", "Creek Bend", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert date.fromisoformat(found["today"]) == today
    (answer,) = found["treatments"]
    rows = expected_rows(today, forecast, joined(ensemble, extended))
    assert answer["starts"] == rows
    safe = [row for row in rows if row["safe"]]
    if not safe:
        assert (answer["status"], answer["visits"]) == ("closed", [])
        assert (answer["earliest_start"], answer["regimen"], answer["chance"]) == (None,) * 3
        assert answer["best"]["chance"] == max(row["chance"] for row in rows)
        return
    first = safe[0]
    assert answer["status"] == ("open" if first["start"] == today.isoformat() else "later")
    assert answer["earliest_start"] == first["start"]
    assert (answer["regimen"], answer["chance"]) == (first["regimen"], first["chance"])
    length = first["exposure_days"]
    last = date.fromisoformat(first["start"]) + timedelta(days=length)
    assert answer["visits"][-1]["date"] == last.isoformat()
    assert found["forecast"]["source"] == "open-meteo"
    assert found["forecast"]["scenarios"] == members
    assert found["forecast"]["attribution"] == "Weather data by Open-Meteo.com (CC BY 4.0)"
    assert found["forecast"]["last_day"] == (today + timedelta(days=45)).isoformat()


@pytest.mark.parametrize(
    ("on", "scenario_count", "last_offset", "said"),
    [
        (("forecast",), 0, 14, "This rests on a single forecast, not on scenarios."),
        (("ensemble",), 51, 14, "this rests on the scenarios alone"),
        (("seasonal",), 51, 45, "whose level is not corrected"),
        (("forecast", "ensemble"), 51, 14, "In 51 of 51 scenarios"),
        (("forecast", "seasonal"), 51, 45, "whose level is not corrected"),
    ],
)
def test_with_only_some_sources_what_they_allow(tmp_path, on, scenario_count, last_offset, said):
    zone = morning_zone()
    journey = Journey(folder=tmp_path, zone=zone)
    journey.write("treatments.toml", TREATMENTS)
    journey.write("yards.toml", yard_table("Creek Bend", *CREEK, zone))
    served = Place(
        daily_highs=[20.0] * 15,
        members=[[20.0] * 15] * 51,
        extended=[[21.0] * 46] * 51,
        timezone=zone,
    )
    with WeatherServer(places={CREEK: served}) as server:
        urls = {
            "forecast": server.forecast_url,
            "ensemble": server.ensemble_url,
            "seasonal": server.seasonal_url,
        }
        journey.write("windowcast.toml", settings(**{key: urls[key] for key in on}))
        done = journey.windowcast("yard", "Creek Bend", "--json")
    found = json.loads(done.stdout)
    (answer,) = found["treatments"]
    assert answer["status"] == "open"
    assert answer["regimen"] == "two-strips"
    assert said in answer["reason"]
    assert found["forecast"]["scenarios"] == scenario_count
    last = journey.today + timedelta(days=last_offset)
    assert found["forecast"]["last_day"] == last.isoformat()
    if scenario_count == 0:
        assert {row["regimen"] for row in answer["starts"]} == {"two-strips"}
        assert {row["chance"] for row in answer["starts"]} == {None}
