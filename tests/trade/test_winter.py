"""The winter round: never by the date alone."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import FORMIC_STRIPS, regimen
from windowcast.trade.course import courses, snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.treatment import Dose, Treatment
from windowcast.trade.winter import (
    AGAIN_DAYS,
    CAGED_DAYS,
    LOOK_LASTS_DAYS,
    Broodless,
    Winter,
    seen_broodless,
    winter,
)

NOTED = datetime(2026, 1, 1, tzinfo=UTC)
ONCE = regimen(1, id="once", doses=[Dose(day=0, ml_per_seam=5.0)])
TRICKLE = Treatment(
    id="oxalic-trickle",
    active="oxalic acid",
    form="trickle",
    regimens=(ONCE,),
    needs_broodless=True,
)
SLOW = Treatment(
    id="oxalic-strips",
    active="oxalic acid",
    form="cardboard strip",
    regimens=(regimen(42, id="six-weeks"),),
)


def look(day, *, capped, number=1, **more):
    body = {"capped": capped, "colonies": 8, **more}
    return Entry(number, "Creek Bend", "brood", day, NOTED, body)


def given_on(day, what=TRICKLE, *, number=9):
    body = {
        "treatment": what.id,
        "regimen": what.regimens[0].id,
        "colonies": 24,
        "snapshot": snapshot(what, what.regimens[0]),
    }
    return Entry(number, "Creek Bend", "start", day, NOTED, body)


def stands(today, *entries, latitude=45.0, treatments=None):
    return winter(latitude, today, entries=entries, courses=courses(entries), treatments=treatments)


def test_the_days_from_egg_to_bee():
    """Worker 3 + 6 + 12 = 21, drone 24; with a queen caged for 24 to 25 days no capped brood is
    left: Martin 1998, as given by Torres & Torres 2020, Vet. Sci. 7:139."""
    assert AGAIN_DAYS == 21
    assert 24 <= CAGED_DAYS <= 25
    # An egg of 3 days and a larva of 5 are a capped cell on day 8 at the soonest.
    assert LOOK_LASTS_DAYS == 7


@given(
    latitude=st.one_of(st.floats(30, 66), st.floats(-66, -30)),
    today=st.dates(date(2024, 1, 1), date(2032, 12, 31)),
)
def test_the_date_alone_never_tells_that_there_is_no_brood(latitude, today):
    """Harris 2010, J. Apic. Res., found sealed brood all winter, indoors in Manitoba."""
    assert stands(today, latitude=latitude).state in (Broodless.NOT_NOW, Broodless.LOOK)


def test_at_32_degrees_a_look_is_worth_while_for_a_month_round_the_solstice():
    """A researcher of the USDA, 2017: about a month, and the longer the further north."""
    assert stands(date(2026, 11, 1), latitude=32).look_from == date(2026, 12, 6)
    assert stands(date(2026, 12, 5), latitude=32).state is Broodless.NOT_NOW
    assert stands(date(2026, 12, 6), latitude=32).state is Broodless.LOOK


def test_in_finland_a_look_is_worth_while_in_the_first_half_of_october():
    """Tight broodless clusters there: Nordic brown bee project."""
    found = stands(date(2026, 9, 1), latitude=60.5).look_from
    assert date(2026, 10, 1) <= found <= date(2026, 10, 15)


@given(st.floats(30, 66), st.floats(30, 66))
def test_further_from_the_equator_it_is_never_later(one, other):
    near, far = sorted((one, other))
    today = date(2026, 9, 1)

    assert stands(today, latitude=far).look_from <= stands(today, latitude=near).look_from


def test_nearer_the_equator_there_is_no_such_round():
    assert stands(date(2026, 12, 21), latitude=20) == Winter(Broodless.NOT_NOW, None)


def test_in_the_south_winter_is_in_june():
    assert stands(date(2026, 6, 21), latitude=-45).state is Broodless.LOOK
    assert stands(date(2026, 12, 21), latitude=-45).state is Broodless.NOT_NOW


def test_one_winter_goes_through_new_year():
    before = stands(date(2026, 12, 31))
    after = stands(date(2027, 1, 1))

    assert before == after
    assert before.state is Broodless.LOOK


@pytest.mark.parametrize(("days", "state"), [(0, Broodless.SEEN), (7, Broodless.SEEN)])
def test_seen_broodless_the_conditions_are_met(days, state):
    found = stands(date(2026, 12, 1) + timedelta(days=days), look(date(2026, 12, 1), capped=False))

    assert (found.state, found.seen) == (state, date(2026, 12, 1))


def test_from_the_eighth_day_on_nobody_knows():
    seen = look(date(2026, 12, 28), capped=False)

    assert stands(date(2027, 1, 4), seen).state is Broodless.SEEN
    assert stands(date(2027, 1, 5), seen).state is Broodless.OLD
    assert seen_broodless([seen], date(2027, 1, 4)) == date(2026, 12, 28)
    assert seen_broodless([seen], date(2027, 1, 5)) is None


def test_where_larvae_were_seen_a_look_counts_for_its_own_day():
    """Five or six days a larva, then capped: the oldest of those seen may be capped a day later.
    Martin 1998, as given by Torres & Torres 2020, Vet. Sci. 7:139."""
    seen = look(date(2026, 12, 1), capped=False, open=True)

    found = stands(date(2026, 12, 1), seen)
    assert (found.state, found.until, found.eggs) == (Broodless.SEEN, date(2026, 12, 1), True)
    assert stands(date(2026, 12, 2), seen).state is Broodless.OLD
    assert seen_broodless([seen], date(2026, 12, 1)) == date(2026, 12, 1)
    assert seen_broodless([seen], date(2026, 12, 2)) is None


def test_brood_seen_is_looked_for_again_when_the_last_egg_has_become_a_bee():
    seen = look(date(2026, 11, 20), capped=True)

    found = stands(date(2026, 12, 10), seen)
    assert (found.state, found.again) == (Broodless.BROOD, date(2026, 12, 11))
    assert stands(date(2026, 12, 11), seen).state is Broodless.LOOK


def test_the_newest_look_counts():
    entries = [
        look(date(2026, 12, 1), capped=False, number=1),
        look(date(2026, 12, 3), capped=True, number=2),
    ]

    assert stands(date(2026, 12, 4), *entries).state is Broodless.BROOD
    assert seen_broodless(entries, date(2026, 12, 4)) is None
    assert seen_broodless(entries, date(2026, 12, 2)) == date(2026, 12, 1)


def test_a_look_of_last_winter_says_nothing():
    assert stands(date(2026, 12, 1), look(date(2026, 1, 20), capped=False)).state is Broodless.LOOK


def test_it_is_given_once_a_winter():
    """Once for each winter generation of bees: Rademacher & Harz 2006, Apidologie 37:98-120."""
    entries = [look(date(2026, 12, 1), capped=False), given_on(date(2026, 12, 3))]

    assert stands(date(2027, 1, 10), *entries).state is Broodless.DONE
    assert stands(date(2027, 12, 10), *entries).state is Broodless.LOOK


def test_a_treatment_that_needs_no_broodless_colonies_is_not_the_winter_round():
    entry = given_on(date(2026, 11, 1), SLOW)

    assert stands(date(2026, 12, 10), entry).state is Broodless.LOOK


def test_without_a_treatment_for_it_nobody_is_asked_to_look():
    today = date(2026, 12, 10)

    assert stands(today, treatments=[FORMIC_STRIPS]).state is Broodless.NOT_NOW
    assert stands(today, treatments=[FORMIC_STRIPS, TRICKLE]).state is Broodless.LOOK
