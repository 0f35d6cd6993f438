"""Starts that the weather names and something else keeps back: days that are taken, and days on
which hives stay shut.

What windowcast tells people of starts goes by these; `yard --json` keeps saying what the weather
allows, with what is taken beside it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Regimen, Slack
from windowcast.trade.visits import Task, Visit, slack, visits
from windowcast.trade.work import Job, Kind, Promised
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
    from windowcast.crew.promised import PromisedVisit
    from windowcast.crew.settings import CrewRow, FixedRow

FAR_DAYS = 60
"""So far on a day is looked for on which what has no one right day can be done."""

COUNTS = (Kind.COUNT, Kind.COUNT_AFTER)
COLD = (Hindrance.COLD, Hindrance.MOSTLY_COLD)
Shut = dict[date, tuple[Hindrance, ...]]
NOTHING: tuple[Hindrance, ...] = ()
NO_ROWS: tuple[Taken, ...] = ()
NO_DAYS = timedelta(0)
_CHANCE = (Flaw.CHANCE,)


class Days(NamedTuple):
    """What is known of the days of one yard besides the bands.

    fixed:      days that something else has taken
    open_days:  of the single forecast; empty where it is stale
    scenarios:  beyond it; None: there are none, or they are stale
    crews:      those that are described; none: nobody says on which days people work
    holidays:   on which none of them does
    promised:   the fresh doses and removals that the crews' plan has promised, whichever starts
                they hang on
    """

    fixed: tuple[FixedRow, ...]
    open_days: Mapping[date, DayWeather]
    scenarios: Scenarios | None
    rules: WorkRules
    crews: tuple[CrewRow, ...] = ()
    holidays: Collection[date] = ()
    promised: tuple[PromisedVisit, ...] = ()

    def free(self, answer: YardAnswer) -> YardAnswer:
        """The answer with the starts that are left."""
        known: Shut = {}
        left = [self._left(one, answer, answer.today, known) for one in answer.treatments]
        return answer._replace(treatments=tuple(left))

    def told(self, answer: YardAnswer, left: YardAnswer | None = None) -> YardAnswer:
        """The same, but where no start is left, with one of today that only shut hives keep back:
        the words around it say so.

        left:  what `free` has made of it, where that is known
        """
        left = self.free(answer) if left is None else left
        treatments = []
        tomorrow = answer.today + timedelta(days=1)
        for given, one in zip(answer.treatments, left.treatments, strict=True):
            today = given.named is not None and given.named.day == answer.today
            none = today and one.named is None
            treatments.append(self._left(given, answer, tomorrow, {}) if none else one)
        return answer._replace(
            treatments=tuple(
                one._replace(visits=self.visits_moved(one, answer.today)) for one in treatments
            )
        )

    def _left(
        self, one: TreatmentAnswer, answer: YardAnswer, first: date, known: Shut
    ) -> TreatmentAnswer:
        """known:  what keeps hives shut for work at frames, by day"""
        rows, changed = [], False
        own = one.treatment.form in FRAMES_STAY
        for row in one.rows:
            start, flaws, *_ = row
            if flaws and flaws != _CHANCE:
                rows.append(row)
                continue
            day, shut, taken = start.start, NOTHING, NO_ROWS
            if day >= first:
                found = known.get(day)
                shut = known[day] = self.shut(day, self.rules) if found is None else found
                if shut and own:
                    # Its own rule asks for no more than that.
                    shut = self.shut(day, rules_for(self.rules, one.treatment, start.regimen))
            if self.fixed:
                taken = self.taken(day, start.regimen)
            if taken:
                flaws = (*flaws, Flaw.TAKEN)
            if shut:
                flaws = (*flaws, Flaw.SHUT)
            changed = changed or bool(taken or shut)
            rows.append(Row(start, flaws, shut, taken) if taken or shut else row)
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
        return tuple(one.taken for one in dict.fromkeys(found))

    def moved(self, found: Iterable[Job], today: date) -> tuple[Job, ...]:
        """Jobs on days on which nobody can work, listed on a day that is free: fresh doses and
        removals on the nearest that their regimen allows, the later of two; what is late, counts
        and checks on the next. A start is not moved, and what has no such day stays; nor does what
        is late wait for a day on which a crew works.

        What the crews' plan has promised is listed on the promised day, where the regimen and that
        day still allow it, and says which crew comes.

        What follows on a dose that is listed on another day is counted from there, as it will be
        once that is done: the next dose, the removal, and the count and the check after them.

        A count on a day that is too cold to open hives says so."""
        if self.promised or self.crews or any(one.visits for one in self.fixed):
            found = sorted(self._in_turn(list(found), today), key=lambda one: one.on)
        return tuple(self._warmed(one) for one in found)

    def _in_turn(self, found: Collection[Job], today: date) -> Iterator[Job]:
        dosed: dict[str, timedelta] = {}
        out: dict[str, timedelta] = {}
        left = Counter((one.series, one.kind) for one in found if one.done is None)
        for job in sorted(found, key=lambda one: (one.on, one.number)):
            by = dosed.get(job.series, NO_DAYS)
            if job.kind is Kind.COUNT_AFTER:
                by = out.get(job.series, by)
            hangs = job.kind in (Kind.SWAP, Kind.REMOVE, Kind.COUNT_AFTER, Kind.QUEENS)
            mine = None
            if job.done is None:
                mine = self._promise(job, left[job.series, job.kind])
                left[job.series, job.kind] -= 1
            moved = self._moved(_later(job, by) if by and hangs else job, mine, today)
            if job.done is None and job.kind is Kind.SWAP:
                dosed[job.series] = moved.on - job.on
            if job.done is None and job.kind is Kind.REMOVE:
                out[job.series] = moved.on - job.on
            yield moved

    def _warmed(self, job: Job) -> Job:
        if job.done is not None or job.kind not in COUNTS or not self._cold(job.on):
            return job
        later = (job.on + timedelta(days=away) for away in range(1, FAR_DAYS))
        warm = (day for day in later if self._known(day) and not self._cold(day))
        free = (day for day in warm if self.workable(day))
        return job._replace(too_cold=True, warm_day=next(free, None))

    def _cold(self, day: date) -> bool:
        return any(one in COLD for one in self.shut(day, self.rules))

    def _known(self, day: date) -> bool:
        """Whether a high is forecast for a day."""
        known = self.open_days.get(day)
        if known is not None and known.high_c is not None:
            return True
        if self.scenarios is None:
            return False
        number = (day - self.scenarios.first_day).days
        return 0 <= number < self.scenarios.days

    def _promise(self, job: Job, left: int) -> PromisedVisit | None:
        """What was promised of a fresh dose or a removal; None: nothing, or of another start.

        left:  of its kind in its treatment, itself among them
        """
        if job.treatment is None or job.regimen is None:
            return None
        wanted = (job.series, job.kind.value, left, job.treatment.id, job.regimen.id)
        for one in self.promised:
            same = (one.series, one.task, one.left, one.treatment, one.regimen) == wanted
            if same and (not job.planned or one.start == job.since):
                return one
        return None

    def _moved(self, job: Job, mine: PromisedVisit | None, today: date) -> Job:
        active = None if job.treatment is None or job.dose is None else job.treatment.active
        free = partial(self.workable, active=active, late=job.late_days > 0)
        if mine is not None and self._holds(job, mine, today):
            # Also once its right day has passed: it comes as it was arranged, and is not late.
            return job._replace(on=mine.day, late_days=0, promised=Promised(mine.day, mine.crew))
        if job.done is not None or job.kind is Kind.APPLY or free(job.on):
            return job
        if job.late_days or job.dose is None:
            days = [job.on + timedelta(days=away) for away in range(1, FAR_DAYS)]
        else:
            days = _nearest(job.day, job.slack)
        left = (day for day in days if day >= today and free(day))
        return job._replace(on=next(left, job.on))

    def _holds(self, job: Job, mine: PromisedVisit, today: date) -> bool:
        """Whether what was promised of a visit can still be: the regimen allows that day, and the
        crew can come."""
        first = max(today, job.day - timedelta(days=job.slack.earlier))
        if job.lapsed or not first <= mine.day <= job.latest:
            return False
        active = "" if job.treatment is None else job.treatment.active
        return self._can_come(mine, active)

    def _can_come(self, mine: PromisedVisit, active: str) -> bool:
        """Whether the yard and the crew have the day, and it may still handle what is in."""
        if any(one.visits and one.first <= mine.day <= one.last for one in self.fixed):
            return False
        # Where no crews are described there is the default one, which works as the plan has it.
        return not self.crews or any(
            one.name == mine.crew
            and one.works(mine.day, self.holidays)
            and (one.actives is None or active in one.actives)
            for one in self.crews
        )

    def visits_moved(self, answer: TreatmentAnswer, today: date) -> tuple[Visit, ...]:
        """The visits of a start that is named, on the days on which `moved` lists them."""
        named = answer.named
        if named is None:
            return answer.visits
        regimen = named.start.regimen
        start = (answer.treatment.id, regimen.id, named.day)
        promised = {
            (one.task, one.left): one.day
            for one in self.promised
            if (one.treatment, one.regimen, one.start) == start
            and self._can_come(one, answer.treatment.active)
        }
        if not (promised or self.crews or any(one.visits for one in self.fixed)):
            return answer.visits
        free = partial(self.workable, active=answer.treatment.active)
        found, by = [], NO_DAYS
        left = Counter(one.task for one in answer.visits)
        for visit in answer.visits:
            day = visit.day + by
            near = _nearest(day, slack(regimen, visit.task))
            mine = promised.get((visit.task.value, left[visit.task]))
            left[visit.task] -= 1
            if mine in near:
                day = mine
            elif visit.task is not Task.APPLY and not free(day):
                day = next((one for one in near if one >= today and free(one)), day)
            if visit.task is Task.SWAP:
                by = day - visit.day
            found.append(visit._replace(day=day))
        return tuple(found)

    def workable(self, day: date, *, active: str | None = None, late: bool = False) -> bool:
        """Whether somebody can be there.

        active:  that is handled; None: none
        late:    no day on which a crew works is waited for
        """
        if any(one.visits and one.first <= day <= one.last for one in self.fixed):
            return False
        if not self.crews or late:
            return True
        return any(
            one.works(day, self.holidays)
            for one in self.crews
            if active is None or one.actives is None or active in one.actives
        )

    def shut(self, day: date, rules: WorkRules) -> tuple[Hindrance, ...]:
        """What keeps hives shut on a day, as the crews' plan holds it."""
        known = self.open_days.get(day)
        if known is not None and known.high_c is not None:
            return hindrances(known, rules)
        if self.scenarios is None:
            return ()
        number = (day - self.scenarios.first_day).days
        if not 0 <= number < self.scenarios.days:
            return ()
        cold = mostly_too_cold(self.scenarios.row(number), rules, missing=MISSING)
        return (Hindrance.MOSTLY_COLD,) if cold else ()


def _later(job: Job, by: timedelta) -> Job:
    """A job that is counted from a dose, so many days later; before, where that is negative."""
    counted = job.kind in (Kind.COUNT_AFTER, Kind.QUEENS) and job.since is not None
    return job._replace(
        day=job.day + by,
        best_by=job.best_by + by,
        on=job.on + by,
        since=job.since + by if counted and job.since is not None else job.since,
    )


def _nearest(day: date, may_move: Slack) -> list[date]:
    """The days that a visit may be on, its right one first, of two as near the later one."""
    near = range(-may_move.earlier, may_move.later + 1)
    return [day + timedelta(days=away) for away in sorted(near, key=lambda one: (abs(one), -one))]


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
