"""Answers read all at once hold the very same highs as answers read value by value.

The slow reading stands for the plain one; its own tests check it against hand-worked values.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import orjson
import pytest

from windowcast.edges import openmeteo_arrays as arrays
from windowcast.edges.http import read_document
from windowcast.edges.openmeteo_arrays import Part, reader
from windowcast.edges.openmeteo_replies import (
    ensemble,
    local_columns,
    one_forecast,
    read_daily,
    read_hourly,
    read_open_days,
)
from windowcast.edges.openmeteo_text import columns_of, cut, tenths_of_text
from windowcast.errors import WeatherError
from windowcast.sky.highs import (
    DailyHighs,
    complete_members,
    local_days_of_tenths,
    tenths,
)
from windowcast.sky.highs_arrays import complete_members as complete_members_of_array
from windowcast.sky.highs_arrays import local_highs, row, tenths_of
from windowcast.sky.scenarios import MISSING

TODAY = date(2026, 8, 31)
ZONE = ZoneInfo("America/Chicago")

# As JSON writes them: halves of both signs, halves that binary numbers miss, whole numbers,
# exponents, zeros of both signs, what is missing, and what is no air temperature.
ODD_NUMBERS = [
    *("12.25", "12.35", "-12.25", "-12.35", "0.05", "-0.05", "0.15", "-0.15", "29.45", "29.55"),
    *("12.2500000001", "12.3499999999999", "8.25e0", "825e-2", "1.5E+1", "0", "-0", "-0.0", "21"),
    *("null", "-9999", "-9999.0", "1e300", "-1e300", "9007199254740993", "1e9", "60", "60.0"),
    *(
        "60.04",
        "60.05",
        "59.95",
        "-90",
        "-90.0",
        "-89.95",
        "-90.05",
        "1e-300",
        "18446744073709551616",
    ),
]


def table(columns: list[list[str]], *, hourly: bool = False, more: str = "") -> str:
    """One place's part, from numbers as they stand in JSON."""
    section, name = ("hourly", "temperature_2m") if hourly else ("daily", "temperature_2m_max")
    first = datetime(2026, 8, 29 if hourly else 31)
    step = timedelta(hours=1) if hourly else timedelta(days=1)
    stamps = [
        (first + step * n).strftime("%Y-%m-%dT%H:%M" if hourly else "%Y-%m-%d")
        for n in range(len(columns[0]))
    ]
    keys = [name + (f"_member{number:02d}" if number else "") for number in range(len(columns))]
    units = "".join(f',"{key}":"°C"' for key in keys)
    values = "".join(
        f',"{key}":[{",".join(column)}]' for key, column in zip(keys, columns, strict=True)
    )
    offset = 0 if hourly else -18000
    return (
        f'{{"latitude":40.0,"longitude":-99.5,"utc_offset_seconds":{offset},"elevation":300.0,'
        f'"{section}_units":{{"time":"iso8601"{units}{UNITS if more else ""}}},'
        f'"{section}":{{"time":{orjson.dumps(stamps).decode()}{values}{more}}}}}'
    )


UNITS = ',"precipitation":"mm","wind_speed_10m":"km/h"'


def parts_of(body: str, *, hourly: bool = False) -> list[Part]:
    read = reader(*(("hourly", "temperature_2m") if hourly else ("daily", "temperature_2m_max")))
    found = read("weather.example", "application/json", body.encode())
    return found if isinstance(found, list) else [found]


def outcome(make: Any) -> object:
    """What comes of it, an error by its kind and words."""
    try:
        return make()
    except WeatherError as error:
        return type(error), str(error)


def slow_members(item: dict[str, Any], *, hourly: bool = False) -> object:
    def make() -> object:
        if hourly:
            return ensemble(local_columns(read_hourly(item), ZONE), TODAY)
        daily = read_daily(item)
        columns = [DailyHighs(daily.first_day, tuple(column)) for column in daily.columns]
        return ensemble(columns, TODAY)

    return outcome(make)


def fast_members(part: Part, *, hourly: bool = False) -> object:
    plain = part.plain
    if plain is None:
        return slow_members(part.item, hourly=hourly)
    return outcome(lambda: arrays.ensemble(plain, ZONE, TODAY))


def item_of(text: str) -> dict[str, Any]:
    found = read_document("weather.example", "application/json", text.encode())
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize("number", [one for one in ODD_NUMBERS if one != "null"])
def test_a_number_is_rounded_alike(number: str) -> None:
    value = orjson.loads(number)

    found = tenths_of(np.array([float(value)]))[0]
    assert found == (MISSING if tenths(value) is None else tenths(value))


def test_all_hundredths_and_halves_of_tenths_are_rounded_alike() -> None:
    """Every value of two decimals there is, and each half with the binary numbers beside it."""
    hundredths = [n / 100 for n in range(-9100, 6100)]
    halves = [(2 * n + 1) / 20 for n in range(-910, 610)]
    beside = [float(np.nextafter(one, way)) for one in halves for way in (-99, 99)]
    values = [*hundredths, *halves, *beside, float("nan"), float("inf"), float("-inf")]

    found = tenths_of(np.array(values))

    expected = [MISSING if (one := tenths(value)) is None else one for value in values]
    assert found.tolist() == expected


def test_every_number_of_one_decimal_is_read_alike() -> None:
    """From -999.9 to 999.9, with null between; all of the form."""
    numbers = [f"{sign}{n / 10:.1f}" for n in range(10_000) for sign in ("", "-")] + ["null"]

    found, wrong = tenths_of_text("".join(f"{one}," for one in numbers).encode())

    values = [orjson.loads(one) for one in numbers]
    expected = [None if value is None else tenths(value) for value in values]
    assert [None if one == MISSING else one for one in found.tolist()] == expected
    assert not wrong.any()


@pytest.mark.parametrize("seed", range(20))
def test_what_is_taken_for_a_number_is_one(seed: int) -> None:
    """Any text between commas: it is refused, or it is JSON and read as JSON says."""
    drawn = random.Random(seed)
    pieces = ["-", ".", "0", "1", "25", "9.9", "null", "e", "+", " ", "", "12.", ".5", "00", ":"]
    texts = ["".join(drawn.choices(pieces, k=drawn.randint(0, 5))) for _ in range(3000)]

    found, wrong = tenths_of_text("".join(f"{one}," for one in texts).encode())

    assert len(found) == len(texts)
    taken = [(one, value) for one, value, bad in zip(texts, found, wrong, strict=True) if not bad]
    assert len(taken) > 30
    for one, value in taken:
        number = orjson.loads(one)
        expected = None if number is None else tenths(number)
        assert value == (MISSING if expected is None else expected), one


ODD_TEXTS = [
    pytest.param('"daily":{"time":[', '"daily":{"x":1,"time":[', id="a member before the times"),
    pytest.param("21.5", "21.5 ", id="a blank"),
    pytest.param("21.5", "021.5", id="a needless zero"),
    pytest.param("21.5", "21.55", id="two decimals"),
    pytest.param("21.5", "21.", id="no decimal"),
    pytest.param("21.5", "2.15e1", id="an exponent"),
    pytest.param("21.5,22.0", "21.5,,22.0", id="nothing between commas"),
    pytest.param("21.5,22.0", "21.5", id="one fewer"),
    pytest.param("member01", "member_1", id="another name"),
    pytest.param('"temperature_2m_max_member01":[', '"temperature_2m_max":[', id="a name twice"),
    pytest.param('"2026-08-31",', '"2026-08-31", ', id="a blank between times"),
    pytest.param('"2026-09-01"', '"2026-09-02"', id="a day left out"),
    pytest.param("]}}", '],"snowfall":[1.0,2.0]}}', id="a column that was not asked for"),
    pytest.param("]}}", '],"snowfall":[1.0,oops]}}', id="no JSON in a column not asked for"),
    pytest.param("]}}", ']},"more":{"a":[1]}}', id="a member after the table"),
    pytest.param("]}}", "]}}}", id="a brace too many"),
    pytest.param("]}}", "]}", id="a brace too few"),
    pytest.param('"elevation":300.0', '"elevation":300.0,"error":true', id="an error beside it"),
    pytest.param('"elevation":300.0', '"elevation":', id="no JSON before the table"),
    pytest.param(
        '"elevation":300.0',
        '"x":{"daily":{"time":["2026-08-31"],"temperature_2m_max":[9.9]}}',
        id="another table within",
    ),
    pytest.param(
        '"elevation":300.0',
        '"daily":{"time":["2026-08-31"],"temperature_2m_max":[9.9]}',
        id="another table of its name before it",
    ),
]


@pytest.mark.parametrize(("old", "new"), ODD_TEXTS)
def test_a_text_that_is_not_quite_the_form_comes_to_what_it_says(old: str, new: str) -> None:
    good = table([["21.5", "22.0"], ["20.0", "19.5"]])
    assert old in good
    text = good.replace(old, new)

    for body in (text, f"[{good},{text}]", f"[{text},{good}]"):

        def whole(body: str = body) -> object:
            found = read_document("weather.example", "application/json", body.encode())
            items = found if isinstance(found, list) else [found]
            return [slow_members(item) for item in items]

        def fast(body: str = body) -> object:
            return [fast_members(part) for part in parts_of(body)]

        assert outcome(fast) == outcome(whole)


def test_the_service_s_own_form_is_read_as_text() -> None:
    """Without this, all of the above could pass by the slower ways."""
    assert cut(table([["21.5", "22.0"], ["20.0", "null"]]).encode(), "daily") is not None
    more = ',"precipitation":[0.0,0.1],"wind_speed_10m":[5.0,null]'
    hours = cut(table([["21.5", "22.0"]], hourly=True, more=more).encode(), "hourly")
    assert hours is not None
    assert columns_of("temperature_2m", hours.names, ("precipitation", "wind_speed_10m")) == (
        ("temperature_2m",),
        (0,),
        {"precipitation": 1, "wind_speed_10m": 2},
    )


def columns_of_odd_numbers(members: int, days: int, seed: int) -> list[list[str]]:
    drawn = random.Random(seed)
    return [
        [
            drawn.choice(ODD_NUMBERS) if drawn.random() < 0.08 else f"{drawn.gauss(20, 9):.1f}"
            for _ in range(days)
        ]
        for _ in range(members)
    ]


@pytest.mark.parametrize("seed", range(40))
def test_members_of_odd_numbers_are_the_same(seed: int) -> None:
    """Batches of places, with holes anywhere, from 2 members to 51; some plain, some not."""
    drawn = random.Random(seed)
    texts = [
        table(columns_of_odd_numbers(drawn.choice([1, 2, 3, 51]), drawn.choice([1, 2, 16]), one))
        for one in range(seed * 10, seed * 10 + 6)
    ]

    parts = parts_of(f"[{','.join(texts)}]")

    assert [fast_members(part) for part in parts] == [slow_members(item_of(one)) for one in texts]


@pytest.mark.parametrize("seed", range(15))
def test_hours_of_odd_numbers_make_the_same_days(seed: int) -> None:
    text = table(columns_of_odd_numbers(4, 24 * 10, seed), hourly=True)
    (part,) = parts_of(text, hourly=True)

    assert part.plain is not None
    assert fast_members(part, hourly=True) == slow_members(item_of(text), hourly=True)
    _, fast = arrays.local_columns(part.plain, ZONE)
    slow = local_columns(read_hourly(item_of(text)), ZONE)
    assert fast == slow
    assert outcome(lambda: one_forecast(fast[:1], TODAY, 2)) == outcome(
        lambda: one_forecast(slow[:1], TODAY, 2)
    )


ODD_PARTS = [
    pytest.param(table([["21.5", "22"], ["20", "null"]]), True, id="plain"),
    pytest.param(table([["21.5", "22"], ['"20"', "19"]]), False, id="a number as text"),
    pytest.param(table([["21.5", "22"], ["true", "19"]]), False, id="true is no number"),
    pytest.param(table([["21.5", "22"], ["[20]", "19"]]), False, id="a list for a number"),
    pytest.param(table([["21.5", "22"], ["{}", "19"]]), False, id="an object for a number"),
    pytest.param(table([["1" + "0" * 400, "22"], ["20", "19"]]), False, id="beyond all numbers"),
    pytest.param(table([["null", "null"], ["null", "null"]]), False, id="nothing but nulls"),
    pytest.param(table([["-9999", "-9999"], ["1e9", "1e9"]]), False, id="no temperatures"),
    pytest.param(table([["21", "22"], ["20", "19"]]).replace("°C", "°F"), False, id="Fahrenheit"),
    pytest.param(table([["21", "22"], ["20", "19"]]).replace("_units", "_u"), False, id="no units"),
    pytest.param(table([["21", "22"], ["20"]]), False, id="a column too short"),
    pytest.param(table([["21", "22"], ["20", "19", "18"]]), False, id="a column too long"),
    pytest.param(table([["21", "22"]]).replace("09-01", "09-02"), False, id="a day left out"),
    pytest.param(
        table([["21", "22"]]).replace("-18000", "-18000.0"), False, id="offset as a float"
    ),
    pytest.param(table([["21", "22"]]).replace("-18000", "null"), False, id="no offset"),
    pytest.param(table([["21", "22"]]).replace("_max", "_max_model_x"), True, id="a model's name"),
    pytest.param(table([["21", "22"]]).replace("time", "times"), False, id="no times"),
    pytest.param(table([["21", " null"], ["20", " null"]]), False, id="blanks before null"),
    pytest.param(table([["null", "21"], ["20", "19"]]), False, id="null comes first"),
]


@pytest.mark.parametrize(("text", "plain"), ODD_PARTS)
def test_what_is_not_plain_is_left_to_the_slow_reading(text: str, plain: bool) -> None:
    """Alone and between two good ones, which it does not spoil."""
    good = table([["21.5", "22"], ["20", "19"]])
    alone = parts_of(text) if "0" * 400 not in text else []
    among = outcome(lambda: parts_of(f"[{good},{text},{good}]"))

    if not isinstance(among, list):
        assert among == outcome(lambda: item_of(f"[{text}]"))
        return
    expected = slow_members(item_of(text))
    assert [fast_members(part) for part in alone] == [expected]
    assert [fast_members(part) for part in among] == [
        slow_members(item_of(good)),
        expected,
        slow_members(item_of(good)),
    ]
    assert (alone[0].plain is not None) == plain


@pytest.mark.parametrize("text", [case.values[0] for case in ODD_PARTS])
def test_what_the_head_says_is_kept(text: str) -> None:
    parts = outcome(lambda: parts_of(text))
    if isinstance(parts, list):
        item = item_of(text)
        for key in ("latitude", "longitude", "elevation", "utc_offset_seconds"):
            assert parts[0].item.get(key) == item.get(key)


def bodies() -> Iterator[Any]:
    good = table([["21.5", "22"], ["20", "null"]])
    for body, name in (
        ("[]", "an empty list"),
        (f" [{good} ,\n{good}] ", "blanks between"),
        (f"[{good},3]", "a number for a place"),
        (f"[{good},{good}", "cut at the end"),
        (f"[{good},{good[:-1]}]", "cut within"),
        (f'[{good},{{"longitude":1,"latitude":2}}]', "another order of keys"),
        (f"[{good},{good.replace('40.0', 'nan')}]", "nan"),
        ('{"error":true,"reason":"no"}', "an error"),
        (f"[{good}],[{good}]", "two documents"),
        (good.replace("40.0", '"a},{\\"latitude\\":1"'), "the cut's own text within a text"),
        (f"[[{good},{good}]]", "a list of lists"),
        ("\ufeff" + good, "a byte order mark"),
    ):
        yield pytest.param(body, id=name)


@pytest.mark.parametrize("body", list(bodies()))
def test_odd_bodies_come_to_what_they_come_to_read_as_a_whole(body: str) -> None:
    def whole() -> object:
        found = read_document("weather.example", "application/json", body.encode())
        items = found if isinstance(found, list) else [found]
        return [slow_members(item) if isinstance(item, dict) else item for item in items]

    def fast() -> object:
        return [
            fast_members(part) if isinstance(part.item, dict) else part.item
            for part in parts_of(body)
        ]

    assert outcome(fast) == outcome(whole)


RAIN = ["0", "0.1", "0.05", "null", "-1", "1000", "1000.1", "1e300", "2.55", "0.0", "7"]


@pytest.mark.parametrize("odd", ["true", "false", '"7"', "[1]"])
def test_rain_that_is_no_number_is_not_known_and_the_rest_is(odd: str) -> None:
    rain = ["0.5"] * 96
    rain[60] = odd
    more = f',"precipitation":[{",".join(rain)}],"wind_speed_10m":[{",".join(["7"] * 96)}]'
    text = table([["20.5"] * 96], hourly=True, more=more)
    (part,) = parts_of(text, hourly=True)

    assert part.plain is None
    assert part.item == item_of(text)


@pytest.mark.parametrize("zone", ["UTC", "America/Chicago", "Australia/Adelaide", "Asia/Kathmandu"])
@pytest.mark.parametrize("seed", range(8))
def test_rain_and_wind_of_the_working_hours_are_the_same(zone: str, seed: int) -> None:
    drawn = random.Random(seed)
    hours = 24 * 6
    rain, wind = (
        [
            drawn.choice(RAIN) if drawn.random() < 0.1 else f"{drawn.random() * 9:.2f}"
            for _ in range(hours)
        ]
        for _ in range(2)
    )
    more = f',"precipitation":[{",".join(rain)}],"wind_speed_10m":[{",".join(wind)}]'
    text = table([["20.5"] * hours], hourly=True, more=more)
    (part,) = parts_of(text, hourly=True)
    where = ZoneInfo(zone)

    assert part.plain is not None
    assert arrays.open_days(part.plain, where, TODAY) == read_open_days(
        item_of(text), datetime(2026, 8, 29, tzinfo=UTC), where, TODAY
    )


@pytest.mark.parametrize(
    ("zone", "first", "hours"),
    [
        pytest.param("America/Chicago", "2026-10-30T00", 96, id="a day of 25 hours"),
        pytest.param("America/Chicago", "2026-03-07T00", 96, id="a day of 23 hours"),
        pytest.param("Pacific/Apia", "2011-12-28T00", 120, id="a date that a zone skipped"),
        pytest.param("Australia/Lord_Howe", "2026-04-03T05", 100, id="half an hour's change"),
        pytest.param("America/St_Johns", "2026-07-10T00", 30, id="half hours"),
        pytest.param("UTC", "2026-07-10T00", 1, id="one hour"),
    ],
)
@pytest.mark.parametrize("seed", range(12))
def test_days_of_the_zone_are_the_same(zone: str, first: str, hours: int, seed: int) -> None:
    drawn = random.Random(seed)
    columns = [
        [None if drawn.random() < 0.1 else drawn.randint(-300, 400) for _ in range(hours)]
        for _ in range(4)
    ]
    for column in columns:
        gap = drawn.randint(0, 60)
        at = drawn.randint(0, hours - 1)
        column[at : at + gap] = [None] * len(column[at : at + gap])
    begins = datetime.fromisoformat(first).replace(tzinfo=UTC)
    packed = np.array([[MISSING if v is None else v for v in one] for one in columns], np.int16)

    first_day, found = local_highs(begins, packed, ZoneInfo(zone))

    assert [row(first_day, one) for one in found] == [
        local_days_of_tenths(begins, one, ZoneInfo(zone)) for one in columns
    ]


@pytest.mark.parametrize("seed", range(60))
def test_complete_members_are_the_same(seed: int) -> None:
    drawn = random.Random(seed)
    holes = drawn.choice([0.0, 0.05, 0.3, 0.6, 1.0])
    days = drawn.randint(1, 20)
    columns = [
        [None if drawn.random() < holes else drawn.randint(-300, 400) for _ in range(days)]
        for _ in range(drawn.randint(1, 12))
    ]
    packed = np.array([[MISSING if v is None else v for v in one] for one in columns], np.int16)

    assert complete_members_of_array(TODAY, packed) == complete_members(TODAY, columns)
