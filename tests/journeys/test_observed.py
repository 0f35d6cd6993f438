"""Weeks of mornings against a loopback service, then what came of them: listed, and judged.

The mornings run in this process, each as of its own instant; the service's clock goes with them.
`windowcast observed` and `windowcast verify` are real processes.
"""

from __future__ import annotations

import json
import math
import shutil
from datetime import UTC, datetime, timedelta

import pytest

from support import pseudo
from support.journey import Journey, morning_zone, settings, yard_table
from support.weather_server import Place, WeatherServer
from windowcast import morning
from windowcast.edges import config
from windowcast.edges.store import StoredPastYears, open_store, pack_tenths
from windowcast.past_years import cell

CREEK = (44.9, -99.7)
EXPOSURE_DAYS = 3
LOW_C, HIGH_C = 10.0, 29.5
OFFSETS_K = (-2.0, -1.0, 1.0, 2.0)
ENSEMBLE_DAYS = 16
TREATMENT = f"""
[[treatment]]
id = "formic-strips"
active = "formic acid"
form = "gel strip"
[[treatment.regimen]]
id = "short"
exposure_days = {EXPOSURE_DAYS}
doses = [{{ day = 0, strips = 1 }}]
high_min_c = {LOW_C}
high_max_c = {HIGH_C}
[[treatment.regimen]]
id = "long"
exposure_days = 14
doses = [{{ day = 0, strips = 1 }}]
high_min_c = {LOW_C}
high_max_c = {HIGH_C}
"""
COURSE_C = [round(26 + 5 * math.sin(day / 3), 1) for day in range(80)]


class Weeks:
    """`count` mornings, the last of them today's; day 0 is the first one's."""

    def __init__(self, journey: Journey, count: int) -> None:
        self.journey, self.count = journey, count
        self.first_day = journey.today - timedelta(days=count - 1)
        self.folder = journey.folder
        self._began = datetime.now(UTC)

    def now(self, day: int) -> datetime:
        return self._began - timedelta(days=self.count - 1 - day)

    def run(self, days: range) -> None:
        place = Place(
            daily_highs=COURSE_C,
            members=[[high + offset for high in COURSE_C] for offset in OFFSETS_K],
            timezone=self.journey.zone,
            first_day=self.first_day,
        )
        clock = {"now": self.now(days[0])}
        with WeatherServer({CREEK: place}, now=lambda: clock["now"]) as server:
            self.journey.write(
                "windowcast.toml",
                settings(forecast=server.forecast_url, ensemble=server.ensemble_url),
            )
            configuration = config.load(self.folder, {})
            with morning.open_store(configuration) as store:
                for day in days:
                    clock["now"] = self.now(day)
                    done = morning.run(configuration, store, now=clock["now"], say=print)
                    assert done.exit_code == 0

    def day(self, index: int) -> str:
        return (self.first_day + timedelta(days=index)).isoformat()

    def answer(self, *arguments: str, status: int = 0):
        done = self.journey.windowcast(*arguments, "--json")
        assert done.returncode == status, done.stderr
        return json.loads(done.stdout) if status == 0 else done


def weeks(tmp_path, count: int) -> Weeks:
    journey = Journey(folder=tmp_path, zone=morning_zone())
    journey.write("treatments.toml", TREATMENT)
    journey.write("yards.toml", yard_table("Creek Bend", *CREEK, journey.zone))
    return Weeks(journey, count)


def inside(high_c: float) -> bool:
    return LOW_C <= round(high_c, 1) <= HIGH_C


def slow_cases(count: int, seen_c: list[float], exposure_days: int = EXPOSURE_DAYS):
    """Morning, chance, whether it held, and start, of each start over by the last morning."""
    found = []
    for issued in range(count):
        for start in range(issued, issued + ENSEMBLE_DAYS - exposure_days + 1):
            days = range(start, start + exposure_days)
            if days[-1] >= count - 1:
                continue
            members = [all(inside(COURSE_C[day] + k) for day in days) for k in OFFSETS_K]
            held = all(inside(seen_c[day]) for day in days)
            found.append((issued, sum(members) / len(OFFSETS_K), held, start))
    return found


def test_each_morning_keeps_yesterdays_high_and_the_own_thermometer_wins(tmp_path):
    done = weeks(tmp_path, 6)
    done.run(range(2, 5))

    by_day = {one["day"]: one for one in done.answer("observed", "Creek Bend")["days"]}
    # The last three days have come to their peak; day 5 is today.
    for day in (1, 2, 3):
        high_c = COURSE_C[day]
        assert by_day[done.day(day)] == {
            "day": done.day(day),
            "high_c": high_c,
            "origin": "service",
        }
    assert by_day[done.day(4)]["origin"] is None  # no morning since

    table = tmp_path / "own.csv"
    table.write_text(f"day,high_c\n{done.day(3)},33.3\n{done.day(4)},12.3\n")
    assert done.answer("observed", "Creek Bend", str(table))["new"] == 2
    done.run(range(5, 6))

    found = done.answer("observed", "Creek Bend")
    by_day = {one["day"]: (one["high_c"], one["origin"]) for one in found["days"]}
    assert by_day[done.day(3)] == (33.3, "own")
    assert by_day[done.day(4)] == (12.3, "own")
    assert by_day[done.day(2)] == (COURSE_C[2], "service")
    assert found["own"] == 2
    assert done.day(5) not in by_day


def test_a_yard_that_moved_keeps_only_its_own_highs(tmp_path):
    done = weeks(tmp_path, 3)
    done.run(range(3))
    table = tmp_path / "own.csv"
    table.write_text(f"day,high_c\n{done.day(0)},20\n")
    done.answer("observed", "Creek Bend", str(table))

    done.journey.write("yards.toml", yard_table("Creek Bend", 45.9, -99.7, done.journey.zone))

    found = done.answer("observed", "Creek Bend")
    assert (found["known"], found["own"], found["service"]) == (1, 1, 0)


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """Forty mornings and the highs that came, as the service saw them."""
    done = weeks(tmp_path_factory.mktemp("record"), 40)
    done.run(range(40))
    return done


def test_the_stores_record_is_scored_as_a_slow_count_does(record):
    cases = slow_cases(40, COURSE_C)
    found = record.answer("verify")

    assert (found["treatment"], found["regimen"], found["source"]) == (
        "formic-strips",
        "short",
        "store",
    )
    assert found["cases"] == len(cases)
    held = [held for _, _, held, _ in cases]
    assert 0.2 < sum(held) / len(held) < 0.8
    assert found["base_rate"] == pytest.approx(sum(held) / len(held), abs=1e-5)
    score = sum((chance - held) ** 2 for _, chance, held, _ in cases) / len(cases)
    assert found["brier"]["chance"] == pytest.approx(score, abs=1e-5)
    by_tenth = {row["from"]: row for row in found["reliability"]}
    for chance in {chance for _, chance, _, _ in cases}:
        same = [held for _, other, held, _ in cases if other == chance]
        row = by_tenth[0.9 if chance == 1 else math.floor(chance * 10) / 10]
        assert (row["cases"], row["mean_chance"]) == (len(same), chance)
        assert row["observed"] == pytest.approx(sum(same) / len(same), abs=1e-5)
    # Four members: a chance of at least 0.8 is one of 1, which the course between them then holds.
    sure = [held for _, chance, held, _ in cases if chance == 1]
    assert found["safe"] == {"cases": len(sure), "held": len(sure), "mean_chance": 1.0}
    # Of each morning's 14 starts those of the last days are not over.
    assert found["left_out_because"] == {
        "running": 40 * 14 - len(cases),
        "unobserved": 0,
        "other_exposure": 0,
    }
    assert (found["first_morning"], found["last_morning"]) == (record.day(0), record.day(36))


def test_the_stores_record_is_told_in_the_language_of_the_configuration(record, tmp_path):
    shutil.copytree(record.journey.folder, tmp_path / "copy")
    journey = Journey(folder=tmp_path / "copy", zone=record.journey.zone)
    pseudo.write(journey.folder)
    text = (journey.folder / "windowcast.toml").read_text("utf-8")
    journey.write("windowcast.toml", f'language = "qaa"\n{text}')

    done = journey.windowcast("verify")

    assert done.returncode == 0, done.stderr
    assert pseudo.words_left(done.stdout) <= {"formic", "strips", "short"}
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_what_the_store_cannot_give_is_null_and_said_why(record):
    found = record.answer("verify")

    for method in ("uncalibrated", "plain_rule", "independent_days", "climatology"):
        for scores in ("brier", "skill", "sharpness", "differences"):
            assert found[scores][method] is None
        assert found["not_computed"][method]
    text = record.journey.windowcast("verify").stdout
    assert "- uncalibrated: the store keeps each chance as it was named" in text
    assert "windowcast season fetches them" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 78


def test_a_picture_of_the_record_says_where_it_comes_from(record):
    picture = record.folder / "record.svg"

    record.answer("verify", "--picture", str(picture))

    drawn = picture.read_text("utf-8")
    assert "From the chances that mornings named" in drawn
    assert "tables of past forecasts" not in drawn


def test_only_the_months_asked_for(record):
    first, last = record.first_day, record.first_day + timedelta(days=36)
    by_month = [
        record.answer("verify", "--months", str(month))["cases"]
        for month in sorted({first.month, last.month})
        if len([one for one in slow_cases(40, COURSE_C) if month_of(record, one) == month]) >= 30
    ]

    assert by_month
    expected = [
        count
        for month in sorted({first.month, last.month})
        if (count := sum(month_of(record, one) == month for one in slow_cases(40, COURSE_C))) >= 30
    ]
    assert by_month == expected


def month_of(record, case) -> int:
    return (record.first_day + timedelta(days=case[0])).month


def test_another_regimen_of_the_same_mornings(record):
    found = record.answer("verify", "--regimen", "long")

    cases = slow_cases(40, COURSE_C, exposure_days=14)
    score = sum((chance - held) ** 2 for _, chance, held, _ in cases) / len(cases)
    assert found["regimen"] == "long"
    assert found["cases"] == len(cases)
    assert found["brier"]["chance"] == pytest.approx(score, abs=1e-5)


def test_past_years_that_are_kept_give_climatology(tmp_path):
    """Odd years of 35 °C, even ones of 20 °C, the last year's season missing from what counts."""
    done = weeks(tmp_path, 12)
    done.run(range(12))
    yard = config.load(tmp_path, {}).yards[0]
    first = done.journey.today - timedelta(days=30 * 365)
    days = [first + timedelta(days=n) for n in range(30 * 365 - 3)]
    with open_store("sqlite:///windowcast.db", tmp_path) as store:
        store.save_past_years(
            StoredPastYears(
                place=cell(yard),
                fetched_at=datetime.now(UTC),
                first_day=first,
                tenths=pack_tenths([350 if day.year % 2 else 200 for day in days]),
            )
        )
    found = done.answer("verify")

    cases = slow_cases(12, COURSE_C)
    squares = []
    for _, _, held, start in cases:
        begun = done.first_day + timedelta(days=start)
        near = [
            not any((day + timedelta(days=n)).year % 2 for n in range(EXPOSURE_DAYS))
            for day in days[: -EXPOSURE_DAYS + 1]
            if (begun - day).days > 180
            and min(turn := (begun - day).days % 365.2425, 365.2425 - turn) <= 10.3
        ]
        squares.append((sum(near) / len(near) - held) ** 2)
    # A day more or less at the edges of twenty years' windows moves a share by little.
    expected = sum(squares) / len(squares)
    assert found["brier"]["climatology"] == pytest.approx(expected, abs=0.01)
    assert 0.1 < expected < 0.5
    assert "climatology" not in found["not_computed"]
    skill = 1 - found["brier"]["chance"] / found["brier"]["climatology"]
    assert found["skill"]["chance"] == pytest.approx(skill, abs=1e-4)


def test_the_own_thermometer_decides_what_held(tmp_path):
    done = weeks(tmp_path, 20)
    done.run(range(20))
    before = done.answer("verify")
    seen_c = list(COURSE_C)
    sure = next(
        start
        for start in range(19)
        if all(inside(COURSE_C[start + n] + k) for n in range(3) for k in OFFSETS_K)
    )
    seen_c[sure] = 31.0
    table = tmp_path / "own.csv"
    table.write_text(f"day,high_c\n{done.day(sure)},31.0\n")
    done.answer("observed", "Creek Bend", str(table))

    after = done.answer("verify")

    cases = slow_cases(20, seen_c)
    assert after["cases"] == before["cases"] == len(cases)
    assert after["safe"]["cases"] == before["safe"]["cases"]
    assert before["safe"]["held"] == before["safe"]["cases"]
    assert after["safe"]["held"] == sum(held for _, chance, held, _ in cases if chance == 1)
    assert after["safe"]["held"] < before["safe"]["held"]


def test_too_few_cases_give_no_score_and_say_how_many_there_are(tmp_path):
    done = weeks(tmp_path, 6)
    done.run(range(6))

    found = done.answer("verify", status=3)

    few = len(slow_cases(6, COURSE_C))
    assert few < 30
    assert found.stdout == ""
    assert f"{few} usable cases of formic-strips short in the store" in found.stderr
    assert f"({6 * 14 - few} starts left out: {6 * 14 - few} not over" in found.stderr
    assert "but 30 are needed; nothing is scored" in found.stderr


def test_invented_weather_is_no_record(tmp_path):
    done = weeks(tmp_path, 2)
    done.journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    configuration = config.load(tmp_path, {})
    with morning.open_store(configuration) as store:
        for day in range(2):
            morning.run(configuration, store, now=done.now(day), say=print)

    found = done.answer("verify", status=3)

    assert "0 usable cases" in found.stderr
    assert "(0 starts left out" in found.stderr
    assert done.answer("observed", "Creek Bend")["known"] == 0
