"""Starts that the weather names and something else keeps back: days that are taken, and days on
which hives stay shut.

What windowcast tells people of starts goes by these; `yard --json` keeps saying what the weather
allows, with what is taken beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Regimen
from windowcast.trade.visits import Visit, slack, visits
from windowcast.trade.work import Job, Kind
from windowcast.trade.workable import (
    FRAMES_STAY,
    DayWeather,
    Hindrance,
    Taken,
    hindrances,
    mostly_too_cold,
    rules_for,
)
from windowcast.window.decide import Flaw, Row, TreatmentAnswer, YardAnswer, judged

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow

FAR_DAYS = 60
"""So far on a day is looked for on which what has no one right day can be done."""


class Days(NamedTuple):
    """What is known of the days of one yard besides the bands.

    fixed:      days that something else has taken
    open_days:  of the single forecast; empty where it is stale
    scenarios:  beyond it; None: there are none, or they are stale
    """

    fixed: tuple[FixedRow, ...]
    open_days: Mapping[date, DayWeather]
    scenarios: Scenarios | None
    rules: WorkRules

    def free(self, answer: YardAnswer) -> YardAnswer:
        """The answer with the starts that are left."""
        known: dict[tuple[date, str], tuple[Hindrance, ...]] = {}
        left = [self._left(one, answer, answer.today, known) for one in answer.treatments]
        return answer._replace(treatments=tuple(left))

    def told(self, answer: YardAnswer) -> YardAnswer:
        """The same, but where no start is left, with one of today that only shut hives keep back:
        the words around it say so."""
        left = self.free(answer)
        treatments = []
        tomorrow = answer.today + timedelta(days=1)
        for given, one in zip(answer.treatments, left.treatments, strict=True):
            today = given.named is not None and given.named.day == answer.today
            none = today and one.named is None
            treatments.append(self._left(given, answer, tomorrow, {}) if none else one)
        return answer._replace(treatments=tuple(treatments))

    def _left(
        self,
        one: TreatmentAnswer,
        answer: YardAnswer,
        first: date,
        known: dict[tuple[date, str], tuple[Hindrance, ...]],
    ) -> TreatmentAnswer:
        rows, changed = [], False
        own = one.treatment.form in FRAMES_STAY
        for given in one.rows:
            row, flaws = given, given.flaws
            if flaws in ((), (Flaw.CHANCE,)):
                taken = self.taken(row.day, row.start.regimen) if self.fixed else ()
                shut: tuple[Hindrance, ...] = ()
                if row.day >= first:
                    regimen = row.start.regimen
                    key = (row.day, f"{one.treatment.id}\n{regimen.id}" if own else "")
                    if key not in known:
                        known[key] = self.shut(row)
                    shut = known[key]
                flaws += (Flaw.TAKEN,) * bool(taken) + (Flaw.SHUT,) * bool(shut)
                if flaws != row.flaws:
                    row, changed = Row(row.start, flaws, shut, taken), True
            rows.append(row)
        if not changed:
            return one
        named = one.named
        if named is not None and any(row.start is named.start for row in rows if not row.held_back):
            return one._replace(rows=tuple(rows))
        stale = answer.forecast.stale
        return judged(answer.yard, one.treatment, tuple(rows), today=answer.today, stale=stale)

    def taken(self, start: date, regimen: Regimen) -> tuple[Taken, ...]:
        """What has taken a start's own day, days of its exposure, or every day of a later visit."""
        found = in_the_way(self.fixed, start=start, regimen=regimen, visits=())
        for visit in visits(regimen, start=start, colonies=1)[1:]:
            found += _every_day(self.fixed, visit, regimen)
        return tuple(
            Taken(one.first, one.last, one.visits, one.treatments, one.why)
            for one in dict.fromkeys(found)
        )

    def moved(self, found: Iterable[Job], today: date) -> tuple[Job, ...]:
        """Jobs on days on which nobody can work, listed on a day that is free: fresh doses and
        removals on the nearest that their regimen allows, the later of two; what is late, counts
        and checks on the next. A start is not moved, and what has no such day stays."""
        if not any(one.visits for one in self.fixed):
            return tuple(found)
        return tuple(sorted((self._moved(one, today) for one in found), key=lambda one: one.on))

    def _moved(self, job: Job, today: date) -> Job:
        if job.done is not None or job.kind is Kind.APPLY or self._workable(job.on):
            return job
        if job.late_days or job.dose is None:
            days = [job.on + timedelta(days=away) for away in range(1, FAR_DAYS)]
        else:
            near = range(-job.slack.earlier, job.slack.later + 1)
            nearest = sorted(near, key=lambda one: (abs(one), -one))
            days = [job.day + timedelta(days=away) for away in nearest]
        free = (day for day in days if day >= today and self._workable(day))
        return job._replace(on=next(free, job.on))

    def _workable(self, day: date) -> bool:
        return not any(one.visits and one.first <= day <= one.last for one in self.fixed)

    def shut(self, row: Row) -> tuple[Hindrance, ...]:
        """What keeps hives shut on the day of a start, as the crews' plan holds it."""
        rules = rules_for(self.rules, row.start.treatment, row.start.regimen)
        known = self.open_days.get(row.day)
        if known is not None and known.high_c is not None:
            return hindrances(known, rules)
        if self.scenarios is None:
            return ()
        day = (row.day - self.scenarios.first_day).days
        if not 0 <= day < self.scenarios.days:
            return ()
        highs = [one for one in self.scenarios.row(day) if one != MISSING]
        return (Hindrance.MOSTLY_COLD,) if mostly_too_cold(highs, rules) else ()


def in_the_way(
    fixed: Sequence[FixedRow], *, start: date, regimen: Regimen, visits: Iterable[date]
) -> tuple[FixedRow, ...]:
    """The rows that keep a start out: treatments on a day of its exposure, or people on the day of
    one of its visits."""
    ends = start + timedelta(days=regimen.exposure_days)
    days = (start, *visits)
    return tuple(
        one
        for one in fixed
        if (one.treatments and one.first < ends and start <= one.last)
        or (one.visits and any(one.first <= day <= one.last for day in days))
    )


def _every_day(fixed: Sequence[FixedRow], visit: Visit, regimen: Regimen) -> tuple[FixedRow, ...]:
    """The rows that together leave no day for a visit, however far its regimen lets it be moved."""
    may_move = slack(regimen, visit.task)
    rows = [one for one in fixed if one.visits]
    out = [
        [one for one in rows if one.first <= visit.day + timedelta(days=away) <= one.last]
        for away in range(-may_move.earlier, may_move.later + 1)
    ]
    return tuple(one for each in out for one in each) if all(out) else ()


def kept_back(answer: TreatmentAnswer) -> tuple[Row, ...]:
    """The starts that the weather would allow and something else keeps back, before the one that is
    named; all of them where none is."""
    until = date.max if answer.named is None else answer.named.day
    return tuple(
        row
        for row in answer.rows
        if row.day < until and row.held_back and Flaw.CHANCE not in row.flaws
    )
