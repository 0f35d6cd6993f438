"""The round with oxalic acid in winter: only for colonies that were seen to be broodless."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from enum import Enum
from typing import NamedTuple

from windowcast.trade.course import Course
from windowcast.trade.daylight import shortest_day
from windowcast.trade.journal import Entry, in_force
from windowcast.trade.treatment import Treatment

EGG_DAYS, LARVA_DAYS, CAPPED_DAYS = 3, 6, 12
"""Of a worker. Martin 1998, as given by Torres & Torres 2020, Vet. Sci. 7:139."""
LEAST_LARVA_DAYS = 5
"""Some are capped a day sooner; the same sources."""
DRONE_DAYS = 24
"""From egg to bee; the same sources."""
CAGED_DAYS = DRONE_DAYS
"""Days of a caged queen after which no capped brood is left, drones and all."""
LOOK_LASTS_DAYS = EGG_DAYS + LEAST_LARVA_DAYS - 1
"""So long a look that found no brood of any age counts: an egg laid on that day can be capped the
day after."""
AGAIN_DAYS = EGG_DAYS + LARVA_DAYS + CAPPED_DAYS
"""From the last worker egg to no capped worker brood; drones take DRONE_DAYS."""
# Days before the solstice from which colonies are likely broodless: about a month round it at 32
# degrees (a researcher of the USDA, 2017), the first half of October at 60 (Nordic brown bee
# project). Between and beyond: a straight line. Never certain (Harris 2010 found sealed brood all
# winter), so that somebody has to look.
_NEAR, _NEAR_DAYS = 32.0, 15
_FAR, _FAR_DAYS = 60.0, 76
SOUTHERNMOST = 30.0
"""Nearer the equator colonies are not counted on to stop."""
AFTER_DAYS = 60
"""So long after the solstice brood is back."""


class Broodless(Enum):
    """What is known of brood in this winter."""

    NOT_NOW = "it is not the time"
    LOOK = "somebody has to look"
    SEEN = "seen broodless"
    BROOD = "brood was seen"
    OLD = "seen broodless, too long ago"
    DONE = "treated this winter"


class Winter(NamedTuple):
    """Where the winter round stands.

    look_from:  the first day on which a look is worth while; None: never at this latitude
    seen:       the day of the newest look of this winter; None: nobody has looked
    until:      where no capped brood was seen, the last day for which that counts
    eggs:       whether eggs or larvae were seen, none of them capped
    again:      after brood was seen, the day for the next look
    """

    state: Broodless
    look_from: date | None
    seen: date | None = None
    again: date | None = None
    until: date | None = None
    eggs: bool = False


def winter(
    latitude: float,
    today: date,
    *,
    entries: Iterable[Entry],
    courses: Iterable[Course],
    treatments: Iterable[Treatment] | None = None,
) -> Winter:
    """Where the winter round of a yard stands on a day.

    entries:     of the yard; those of kind "brood" are looks into its colonies
    treatments:  considered there: where none of them needs broodless colonies there is no such
                 round; None: not known
    """
    if treatments is not None and not any(one.needs_broodless for one in treatments):
        return Winter(Broodless.NOT_NOW, None)
    first, last = _winter_of(latitude, today)
    if first is None or last is None:
        return Winter(Broodless.NOT_NOW, None)
    if not first <= today <= last:
        return Winter(Broodless.NOT_NOW, first)
    # A look some weeks before the first day counts too: an early winter is seen and not computed.
    looks = [
        one
        for one in in_force(entries)
        if one.kind == "brood" and first - timedelta(days=30) <= one.day <= today
    ]
    if any(
        one.treatment.needs_broodless and first - timedelta(days=30) <= one.start <= today
        for one in courses
    ):
        return Winter(Broodless.DONE, first)
    if not looks:
        return Winter(Broodless.LOOK, first)
    newest = looks[-1]
    if newest.body["capped"]:
        again = newest.day + timedelta(days=AGAIN_DAYS)
        state = Broodless.BROOD if again > today else Broodless.LOOK
        return Winter(state, first, newest.day, again)
    until = _counts_until(newest)
    return Winter(
        Broodless.SEEN if today <= until else Broodless.OLD,
        first,
        newest.day,
        until=until,
        eggs=bool(newest.body.get("open")),
    )


def _counts_until(look: Entry) -> date:
    """The last day for which a look that found no capped brood counts: where eggs or larvae were
    seen some may be capped the next day, so that it is the day of the look itself."""
    return look.day if look.body.get("open") else look.day + timedelta(days=LOOK_LASTS_DAYS)


def _winter_of(latitude: float, today: date) -> tuple[date | None, date | None]:
    far = abs(latitude)
    if far < SOUTHERNMOST:
        return None, None
    slope = (_FAR_DAYS - _NEAR_DAYS) / (_FAR - _NEAR)
    before = round(_NEAR_DAYS + slope * (min(far, 66.0) - _NEAR))
    for year in (today.year - 1, today.year, today.year + 1):
        solstice = shortest_day(latitude, year)
        if today <= solstice + timedelta(days=AFTER_DAYS):
            return solstice - timedelta(days=before), solstice + timedelta(days=AFTER_DAYS)
    return None, None


def seen_broodless(entries: Iterable[Entry], today: date) -> date | None:
    """The day of the newest look, where it found no capped brood and is not too long ago."""
    look = look_that_counts(entries, today)
    return None if look is None else look.day


class Look(NamedTuple):
    """A look that found no capped brood.

    until:  the last day for which it counts
    """

    day: date
    until: date


def look_that_counts(entries: Iterable[Entry], today: date) -> Look | None:
    """The newest look, where it found no capped brood and is not too long ago."""
    newest = newest_look(entries, today)
    if newest is None or newest.body["capped"]:
        return None
    until = _counts_until(newest)
    return Look(newest.day, until) if today <= until else None


def newest_look(entries: Iterable[Entry], today: date) -> Entry | None:
    """The newest look into colonies for brood, whatever it found; None: nobody has looked."""
    looks = [one for one in in_force(entries) if one.kind == "brood" and one.day <= today]
    return looks[-1] if looks else None
