"""Whether a treatment did what it was given for, and what to give again where it did not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from enum import Enum
from typing import NamedTuple

from windowcast.trade import mites
from windowcast.trade.course import Course
from windowcast.trade.mites import Growth, Round
from windowcast.trade.rules import SeasonRules
from windowcast.trade.treatment import Treatment
from windowcast.trade.work import AFTER_COUNT_DAYS, LAPSES_DAYS


class Verdict(Enum):
    """What the count after a treatment says."""

    WAIT = "too early to count"
    COUNT = "somebody has to count"
    ENOUGH = "below the threshold"
    AGAIN = "still not below the threshold"
    UNKNOWN = "never counted in time"


class Judged(NamedTuple):
    """A treatment judged by the count after it.

    count_from, count_until:  days on which a count tells of it, both inside
    before, after:  the rounds that it is judged by; None: there is none
    limit:          the threshold of the day of `after`, mites per 100 bees
    efficacy:       per cent of the mites killed, growth meanwhile taken off; None: not known
    weak:           less than the least that trials of this treatment found: ask why (resistance:
                    Rinkevich 2020, PLoS ONE 15(1):e0227264; evaporation: Kosch, Muelling & Emmerich
                    2025, Vet. Sci. 12:144)
    others:         to treat with again: another active, in the user's order; empty where it worked,
                    is not known, or there is no other
    """

    course: Course
    verdict: Verdict
    count_from: date
    count_until: date
    before: Round | None
    after: Round | None
    limit: float | None
    efficacy: float | None
    weak: bool
    others: tuple[Treatment, ...]


def judged(
    course: Course,
    found: Sequence[Round],
    rate: Growth,
    rules: SeasonRules,
    treatments: Iterable[Treatment],
    *,
    south: bool,
    today: date,
    until: date | None = None,
) -> Judged:
    """Judge a treatment by the first round a fortnight or more after its end.

    found:       the yard's rounds, the oldest first
    treatments:  considered at the yard, best first
    until:       the start of the next treatment: what is counted from that day on tells of both
    """
    # Strips that nobody noted as out still work.
    end = course.by(today).end
    first = end + timedelta(days=AFTER_COUNT_DAYS)
    last = end + timedelta(days=LAPSES_DAYS)
    after = next(
        (
            one
            for one in found
            if first <= one.first_day <= min(last, today) and (until is None or one.day < until)
        ),
        None,
    )
    before = next(
        (
            one
            for one in reversed(found)
            if one.day <= course.start <= one.day + timedelta(days=LAPSES_DAYS)
        ),
        None,
    )
    efficacy = mites.fall_after(before, after, rate, south=south)
    limit = None if after is None else mites.threshold(after.day, rules, south=south)
    if after is not None and limit is not None:
        verdict = Verdict.AGAIN if after.percent >= limit else Verdict.ENOUGH
    elif until is not None and until <= today:
        verdict = Verdict.UNKNOWN
    elif today < first:
        verdict = Verdict.WAIT
    else:
        verdict = Verdict.COUNT if today <= last else Verdict.UNKNOWN
    least = course.treatment.efficacy_percent
    return Judged(
        course=course,
        verdict=verdict,
        count_from=first,
        count_until=last,
        before=before,
        after=after,
        limit=limit,
        efficacy=efficacy,
        weak=efficacy is not None and least is not None and efficacy < least[0],
        others=tuple(one for one in treatments if one.active != course.treatment.active)
        if verdict is Verdict.AGAIN
        else (),
    )


def judged_last(
    known: Sequence[Course],
    found: Sequence[Round],
    rules: SeasonRules,
    treatments: Iterable[Treatment],
    *,
    south: bool,
    today: date,
) -> Judged | None:
    """The newest treatment of a yard, judged; None where there is none, or its count no longer
    tells anything.

    known, found:  the yard's treatments by start, and its rounds, the oldest first
    """
    begun = [one for one in known if one.start <= today]
    if not begun:
        return None
    # Between the two counts the treatment says nothing of growth.
    spans = [(one.start, one.end) for one in begun]
    rate = mites.growth(found, rules, treated=spans, south=south)
    last = judged(begun[-1], found, rate, rules, treatments, south=south, today=today)
    return None if today > last.count_until else last
