"""Yards to draw: invented highs, and the situations a yard can be in."""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction

import numpy as np

from support.weather import FORMIC_STRIPS, MONDAY, band, highs, regimen, scenarios, treatment, yard
from windowcast.notice.yard_picture import picture_of
from windowcast.trade.course import Course, snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Band
from windowcast.window.decide import ForecastState, Rules, YardAnswer, decide
from windowcast.window.scan import Words, scan
from windowcast.window.watch import watch

DAYS, MEMBERS = 30, 51
CHANCE = np.random.default_rng(20260831)
SPREAD = CHANCE.normal(0, 1, (MEMBERS, 1)) * np.linspace(0.5, 3, DAYS)
"""How far each scenario is from the middle on each day, K."""
ATTRIBUTION = "Weather data by somebody (CC BY 4.0)"


def day(ahead):
    return MONDAY + timedelta(days=ahead)


def columns_c(middle_c, hole=None):
    """Scenarios around a course, in tenths; every third has no value on the day `hole`."""
    found = []
    for number, apart in enumerate(SPREAD):
        course = [round(float(value), 1) for value in np.asarray(middle_c) + apart]
        if hole is not None and number % 3 == 0:
            course[hole] = None
        found.append(course)
    return found


def answer(given, forecast, members, *, name="Creek Bend", stale=False, supers=0):
    place = yard(name, supers=supers)
    known = forecast is not None or members is not None
    starts = scan(
        given,
        forecast=forecast,
        words=None if members is None else Words(members),
        today=MONDAY,
        first_start=MONDAY,
    )
    state = ForecastState(
        source="open-meteo" if known else None,
        fetched_at=None,
        run_at=None,
        age_hours=None,
        stale=stale,
        first_day=MONDAY,
        last_day=day(DAYS - 1),
        scenarios=MEMBERS,
        scenario_sources=("ensemble",),
        scenarios_last_day=day(DAYS - 1),
        sources=("forecast", "ensemble") if known else (),
        missing=(),
        attribution=ATTRIBUTION if known else "",
        how="",
    )
    rules = Rules(min_chance=0.8, max_danger=0.05)
    decided = decide(place, given, starts, rules=rules, today=MONDAY, stale=stale)
    return YardAnswer(yard=place, today=MONDAY, forecast=state, treatments=(decided,))


MIDDLE = [31, 32, 30.5, *np.linspace(27, 20, DAYS - 3)]
FORECAST = highs(*[round(float(value) + 0.3, 1) for value in MIDDLE[:15]])


def picture(
    given=FORMIC_STRIPS, *, middle_c=MIDDLE, forecast=FORECAST, hole=None, units="C",
    name="Creek Bend", **more,
):  # fmt: skip
    members = scenarios(columns_c(middle_c, hole))
    told = answer(given, forecast, members, name=name)
    return picture_of(
        told, units=units, forecast=forecast, scenarios=members, min_chance=0.8, **more
    )


def course(start, given=FORMIC_STRIPS, number=1):
    way = given.regimens[number]
    entry = Entry(
        id=1, key="k", yard="Creek Bend", kind="start", day=start, noted_at=None, corrects=None,
        body={"snapshot": snapshot(given, way), "colonies": 24},
    )  # fmt: skip
    return Course(entry=entry, treatment=given, regimen=way, colonies=24)


def watched(one, members, forecast):
    return watch(
        one, today=MONDAY, forecast=forecast, scenarios=members, stale=False, observed={},
        open_days={}, work=WorkRules(), max_danger=0.05, cancel_below=0.5,
    )  # fmt: skip


def in_hand(middle_c, began=4):
    start = day(-began)
    members = scenarios(columns_c(middle_c))
    forecast = highs(*[round(float(value), 1) for value in middle_c[:15]])
    one = course(start)
    return picture_of(
        answer(FORMIC_STRIPS, forecast, members),
        units="C",
        forecast=forecast,
        scenarios=members,
        observed={day(-1): 21.4, day(-3): 22.0},
        course=one,
        watch=watched(one, members, forecast),
    )


SITUATIONS = {
    "later": picture,
    "in Fahrenheit": lambda: picture(units="F"),
    "closed": lambda: picture(middle_c=[35] * DAYS),
    "open": lambda: picture(middle_c=[22] * DAYS, forecast=highs(*[22] * 15)),
    "in": lambda: in_hand([22] * DAYS),
    "in danger": lambda: in_hand([36] * DAYS, began=1),
    "frost": lambda: picture(middle_c=[-12] * DAYS, forecast=highs(*[-12.5] * 15)),
    "a long name": lambda: picture(name="W" * 80),
    "bounds a degree apart": lambda: picture(
        treatment(regimen(14, bounds=band("28.6", "29.5")), danger_c="30"), middle_c=[29] * DAYS
    ),
    "an odd bound": lambda: picture(
        treatment(regimen(14, bounds=Band(Fraction(50, 3), Fraction(265, 9))))
    ),
}
