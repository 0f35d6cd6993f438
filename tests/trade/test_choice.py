"""A treatment judged by the count after it."""

from __future__ import annotations

from datetime import UTC, date, datetime
from math import exp

import pytest

from support.weather import FORMIC_STRIPS, TWO_STRIPS, regimen
from windowcast.trade.choice import Verdict, judged
from windowcast.trade.course import courses, snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Growth, Round
from windowcast.trade.rules import SeasonRules
from windowcast.trade.treatment import Treatment

RULES = SeasonRules()
NOTED = datetime(2026, 1, 1, tzinfo=UTC)
RATE = Growth(0.021, 0.013, 0.029, learned=False)
START, END = date(2026, 7, 20), date(2026, 8, 3)
FORMIC = FORMIC_STRIPS._replace(efficacy_percent=(49, 99))
AMITRAZ = Treatment(
    id="amitraz-strips",
    active="amitraz",
    form="plastic strip",
    regimens=(regimen(42, id="six-weeks"),),
)
OTHER_FORMIC = FORMIC._replace(id="formic-pads", form="pad")


def counted(day, percent):
    return Round(day, day, percent, percent * 0.8, percent * 1.2, 8, 2400, 0, None)


def course(*, out=END):
    entries = [
        Entry(
            1,
            "Creek Bend",
            "start",
            START,
            NOTED,
            {
                "treatment": FORMIC.id,
                "regimen": TWO_STRIPS.id,
                "colonies": 24,
                "snapshot": snapshot(FORMIC, TWO_STRIPS),
            },
        )
    ]
    if out is not None:
        entries.append(Entry(2, "Creek Bend", "remove", out, NOTED, {"start": 1, "strips": 48}))
    (found,) = courses(entries)
    return found


def judge(*found, today=date(2026, 9, 1), out=END, treatments=(FORMIC, AMITRAZ), until=None):
    return judged(
        course(out=out), found, RATE, RULES, treatments, south=False, today=today, until=until
    )


@pytest.mark.parametrize(
    ("percent", "verdict", "others"),
    [
        (1.9, Verdict.ENOUGH, ()),
        (2.0, Verdict.AGAIN, (AMITRAZ,)),
        (2.1, Verdict.AGAIN, (AMITRAZ,)),
    ],
    ids=["below", "on it is over it", "over"],
)
def test_still_over_the_threshold_another_active_is_next(percent, verdict, others):
    """2 per 100 in August; resistant mites are left by the first active (Rinkevich 2020, PLoS ONE
    15(1):e0227264), so that its other forms are no other active."""
    found = judge(counted(date(2026, 8, 18), percent), treatments=(OTHER_FORMIC, FORMIC, AMITRAZ))

    assert (found.verdict, found.others) == (verdict, others)
    assert found.limit == 2.0


def test_the_user_may_have_no_other_active():
    found = judge(counted(date(2026, 8, 18), 4.0), treatments=(FORMIC,))

    assert (found.verdict, found.others) == (Verdict.AGAIN, ())


def test_a_count_before_14_days_does_not_judge():
    """At least 14 days after the end, mites being in cells: COLOSS BEEBOOK varroa 4.5.4.2.6.1
    (Dietemann et al. 2013)."""
    early, right = counted(date(2026, 8, 16), 0.1), counted(date(2026, 8, 17), 4.0)

    assert judge(early, today=date(2026, 8, 16)).verdict is Verdict.WAIT
    assert judge(early, today=date(2026, 8, 17)).verdict is Verdict.COUNT
    assert judge(early, right).after == right


def test_nobody_counted():
    assert judge(today=date(2026, 10, 2)).verdict is Verdict.COUNT
    assert judge(today=date(2026, 10, 3)).verdict is Verdict.UNKNOWN
    assert judge(counted(date(2026, 10, 3), 0.1), today=date(2026, 10, 4)).after is None


def test_the_next_treatment_ends_what_can_be_known():
    found = judge(counted(date(2026, 8, 20), 0.1), until=date(2026, 8, 19), today=date(2026, 8, 25))

    assert (found.verdict, found.after) == (Verdict.UNKNOWN, None)


def test_strips_that_are_still_in_are_not_judged():
    found = judge(counted(date(2026, 8, 20), 4.0), out=None, today=date(2026, 8, 25))

    assert (found.verdict, found.count_from) == (Verdict.WAIT, date(2026, 9, 8))


def test_efficacy_takes_the_growth_meanwhile_off():
    """Henderson & Tilton 1955, J. Econ. Entomol. 48:157, against colonies that would have grown by
    2.1 % a day: of 3 per 100, 3 exp(0.021 x 29) = 5.52 without, 1.0 with: 81.9 %."""
    found = judge(counted(START, 3.0), counted(date(2026, 8, 18), 1.0))

    assert found.efficacy == pytest.approx(100 * (1 - 1.0 / (3.0 * exp(0.021 * 29))))
    assert round(found.efficacy, 1) == 81.9
    assert not found.weak


def test_less_than_the_poorest_trial_is_weak():
    """49 %: the strip form of Pietropaoli & Formato 2021, J. Apic. Res."""
    poor = judge(counted(START, 3.0), counted(date(2026, 8, 18), 2.9))
    nothing_known = judge(counted(date(2026, 8, 18), 2.9))

    assert poor.efficacy < 49
    assert poor.weak
    assert (nothing_known.efficacy, nothing_known.weak) == (None, False)


def test_the_newest_count_before_is_the_one_before():
    found = judge(
        counted(date(2026, 6, 25), 9.0), counted(date(2026, 7, 15), 3.0),
        counted(date(2026, 8, 18), 1.0),
    )  # fmt: skip
    assert found.before.percent == 3.0


def test_a_count_of_spring_is_no_count_before():
    assert judge(counted(date(2026, 5, 1), 3.0), counted(date(2026, 8, 18), 1.0)).before is None
