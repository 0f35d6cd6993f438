"""What one yard needs of the crews: its options to start by the weather, and what is in hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

from windowcast.crew import barred
from windowcast.crew.barred import Barred
from windowcast.crew.days import Calendar, Eased, Freed, Lost, lost_of
from windowcast.crew.instance import Need, Option, Stop
from windowcast.crew.promised import kept_named
from windowcast.language import tr
from windowcast.trade.bring import with_spare
from windowcast.trade.due import Cause, Due, last_start
from windowcast.trade.mites import threshold
from windowcast.trade.rules import SeasonRules, WorkRules
from windowcast.trade.treatment import Regimen, Slack, Treatment
from windowcast.trade.visits import Task, slack, visits
from windowcast.trade.work import Job, Kind, minutes_for
from windowcast.trade.workable import (
    rules_for,
)
from windowcast.trade.yard import Yard
from windowcast.window.decide import Row
from windowcast.window.scan import Words, holds

LEAST_WEIGHT, MOST_WEIGHT = 0.5, 3.0
"""However few or many mites, a colony counts so much at least and at most; our own choice."""
BEGUN_WORTH = 10.0
"""What is in the hives is looked after before anything new is begun: what a colony of it counts.
Our own choice."""
CHECK_WORTH = 0.25
"""What a count or a check of one colony counts beside a colony treated; our own choice."""
DOSES = "doses"
"""The name of what is still to be done of a treatment that is in the hives."""
JOB_LATER = 14
"""Within so many days a job that is late is still done, and a count that the season asks for."""
LEAST_WAITING = 0.0005
"""What each day that a start comes later costs at least, as a share of what it is worth, where
counts show no growth: of days as good as each other the first is taken. Our own choice."""
MOST_WAITING = 2.0
"""However fast a yard's own counts grow, waiting costs at most so many times the usual growth: two
rounds tell little of a rate. Our own choice."""
AWAY = 0.005
"""What each day that a visit is away from its right day costs, in colonies for each colony: an hour
or two of driving for a yard and some days. Our own choice."""
SWAP_AWAY = 2.0
"""A day counts so many times for a fresh dose: on its day the one before is spent, while it matters
less that strips come out a day later. Our own choice."""
LATE = 100.0
"""So many times as much where a fresh dose or a removal is late already: half a colony for each
colony and day, more than a start loses that waits for it, and over two weeks still less than what
it is worth that it is done at all. Our own choice."""
KINDS = {Task.APPLY: Kind.APPLY, Task.SWAP: Kind.SWAP, Task.REMOVE: Kind.REMOVE}


class Gone(NamedTuple):
    """Why a start that was promised is none any more; the first that is not None says it. All None:
    its treatment is not among those to begin now, or the forecast does not judge its day.

    free:   it would come before this day: what is in, or its count, comes first
    limit:  it would come after this last day to start
    row:    it is not safe, as it is judged now
    lost:   one of its visits has no day
    over:   it would be today, whose hours are over
    """

    free: date | None = None
    limit: date | None = None
    row: Row | None = None
    lost: Lost | None = None
    over: bool = False


class Starts(NamedTuple):
    """What can be started at a yard.

    need:  None where there is nothing to choose from
    lost:  starts that the weather allows but something else forbids
    gone:  why the start that was promised is not among them; None: it is, or none was
    barred: as of `Need`
    """

    need: Need | None
    lost: tuple[Lost, ...]
    gone: Gone | None = None
    barred: tuple[tuple[int, str], ...] = ()


def weight_of(due: Due, rules: SeasonRules, *, south: bool, day: date) -> float:
    """How much one colony counts: its infestation on a day as a share of that month's threshold,
    within bounds; 1 where no count tells."""
    if due.last is None:
        return 1.0
    rate = _growth(due, rules)
    grown = due.last.percent * math.exp(rate * max(0, (day - due.last.day).days))
    share = grown / threshold(day, rules, south=south)
    return min(MOST_WEIGHT, max(LEAST_WEIGHT, share))


def _growth(due: Due, rules: SeasonRules) -> float:
    """The rate a day at which mites grow at a yard."""
    return rules.growth_per_day if due.growth is None else due.growth.per_day


def waiting_of(due: Due, rules: SeasonRules) -> float:
    """What each day that a start comes later costs, as a share of what it is worth that day.

    Mites grow exponentially: by `growth_per_day` where no counts of the yard tell (Martin 1998). A
    treatment takes the same share of them whenever it comes, so that what a colony has to bear
    until then, and after, is larger by that rate for each day of waiting.
    """
    most = MOST_WAITING * rules.growth_per_day
    return max(LEAST_WAITING, min(most, _growth(due, rules)))


def last_day(due: Due, regimen: Regimen) -> date | None:
    """The last day to start a regimen so that it is in time; None: none, the sooner the better."""
    if due.lifted:
        return None
    found = [] if due.end_by is None else [last_start(regimen.exposure_days, due.end_by)]
    if due.cause is Cause.COUNTS and due.by is not None:
        found.append(due.by)
    return min(found, default=None)


def starts(
    yard: Yard,
    *,
    place: int,
    key: str,
    due: Due,
    rows: Sequence[Row],
    words: Words | None,
    calendar: Calendar,
    rules: WorkRules,
    weight: float,
    not_before: date,
    promised: tuple[str, str, date] | None = None,
    cancel_below: float = 1.0,
    waiting: float = LEAST_WAITING,
    not_after: date | None = None,
) -> Starts:
    """The need of a treatment, with every start that is named, in time and can be worked.

    rows:       of the treatments considered, as `decide` judged them
    promised:   treatment, regimen and day of a start that is kept down to `cancel_below`
    waiting:    as of `waiting_of`
    not_after:  the last day to start besides what the season and the counts set; None: none
    """
    held: dict[tuple[str, str], list[int]] = {}
    options, lost = [], []
    gone = None if promised is None else Gone()
    latest = calendar.first
    no_start = Barred()
    for row in rows:
        start = row.start
        day = (row.day - calendar.first).days
        limits = [one for one in (last_day(due, start.regimen), not_after) if one is not None]
        limit = min(limits, default=None)
        mine = (start.treatment.id, start.regimen.id, row.day)
        if not 0 <= day < calendar.starts or row.day < not_before:
            gone = Gone(free=not_before) if mine == promised and row.day < not_before else gone
            no_start.say(day, barred.SEASON, tr("what is in the hives, or its count, comes first"))
            continue
        if limit is not None and row.day > limit:
            gone = Gone(limit=limit) if mine == promised else gone
            # The weather would allow it: that comes nearer to a start than one that it bars, but
            # where no day of the plan is in time for it.
            near = row.safe and limit >= calendar.first
            rank = barred.LATE if near else barred.SEASON
            no_start.say(day, rank, tr("after the last day that is in time"))
            continue
        if not row.safe and not (mine == promised and kept_named(row, cancel_below)):
            gone = Gone(row=row) if mine == promised else gone
            no_start.say(day, barred.WEATHER, barred.unsafe(row), barred.near(row))
            continue
        found = stops_of(
            yard, start.treatment, start.regimen, day=day, calendar=calendar, rules=rules
        )
        chance = 1.0 if start.chance is None else start.chance.value
        value = yard.colonies * weight * chance * math.exp(-waiting * day)
        if isinstance(found, Lost):
            lost.append(found._replace(value=value))
            no_start.say(day, barred.WORK, _unworkable(found), chance)
            gone = Gone(lost=found) if mine == promised else gone
            continue
        gone = None if mine == promised else gone
        bits = of = 0
        if words is not None and start.chance is not None:
            if mine[:2] not in held:
                held[mine[:2]] = holds(start.regimen, words)
            number = (row.day - words.scenarios.first_day).days
            bits, of = held[mine[:2]][number], words.scenarios.count
        latest = max(latest, row.day if limit is None else limit)
        options.append(
            Option(
                start=day,
                treatment=start.treatment.id,
                regimen=start.regimen.id,
                stops=found,
                value=value,
                chance=chance,
                held=bits,
                of=of,
                below=not row.safe,
            )
        )
    no_days = no_start.days(frozenset(one.start for one in options), calendar.starts)
    if not options:
        return Starts(None, tuple(lost), gone, no_days)
    need = Need(
        key=key,
        yard=yard.name,
        place=place,
        colonies=yard.colonies,
        last=(latest - calendar.first).days,
        options=tuple(options),
        weight=weight,
        barred=no_days,
    )
    return Starts(need, tuple(lost), gone, no_days)


def _unworkable(lost: Lost) -> str:
    """What keeps the visits of one start from being worked, in a few words."""
    if lost.task is Task.SWAP:
        return tr("no day for its swap: {why}", why=lost.why)
    if lost.task is Task.REMOVE:
        return tr("no day for its removal: {why}", why=lost.why)
    return lost.why


def stops_of(
    yard: Yard,
    treatment: Treatment,
    regimen: Regimen,
    *,
    day: int,
    calendar: Calendar,
    rules: WorkRules,
) -> tuple[Stop, ...] | Lost:
    """The visits of one start with the days on which each can be; the first that has none, if any,
    with what would free all of them.

    Each may be as far from its day as the regimen allows, and comes so long after the dose before
    it as the regimen asks.
    """
    found = _stops_of(yard, treatment, regimen, day, calendar, rules)
    if not isinstance(found, Lost):
        return found
    active = ""
    days: tuple[date, ...] = ()
    one: tuple[Stop, ...] | Lost = found
    while isinstance(one, Lost):
        if one.freed is None:
            eased = found.eased
            if eased is not None:
                able = calendar.without(eased, treatment.active)
                if isinstance(_stops_of(yard, treatment, regimen, day, able, rules), Lost):
                    eased = None
            return found._replace(freed=None, eased=eased)
        active, days = active or one.freed.active, (*days, *one.freed.days)
        calendar = calendar.freed(one.freed, treatment.active)
        one = _stops_of(yard, treatment, regimen, day, calendar, rules)
    return found._replace(freed=Freed(active, days))


def _stops_of(
    yard: Yard,
    treatment: Treatment,
    regimen: Regimen,
    day: int,
    calendar: Calendar,
    rules: WorkRules,
) -> tuple[Stop, ...] | Lost:
    start = calendar.date(day)
    ends = start + timedelta(days=regimen.exposure_days)
    for one in calendar.fixed:
        if one.treatments and one.first < ends and start <= one.last:
            since, until = max(start, one.first), min(ends - timedelta(days=1), one.last)
            eased = Eased(one.why, since, until)
            return Lost(start, Task.APPLY, since, one.why, one.last, eased=eased)
    found: list[Stop] = []
    dosed = 0
    for visit in visits(regimen, start=start, colonies=yard.colonies):
        right = (visit.day - calendar.first).days
        may_move = slack(regimen, visit.task)
        apart = (visit.day - start).days - dosed
        days = [one + apart for one in found[-1].days] if found else [right]
        last = max(days) + may_move.later
        if visit.task is Task.REMOVE:
            # By the first day on which nothing may be in the hives it is out, however late it may.
            taken = [one.first for one in calendar.fixed if one.treatments and one.first >= ends]
            last = min([last, *((day - calendar.first).days for day in taken)])
        near = list(range(min(days) - may_move.earlier, last + 1))
        # The right day first; of two as near the later, since a treatment that works a day longer
        # loses less than one cut short.
        near.sort(key=lambda one, right=right: (abs(one - right), -one))  # type: ignore[misc]
        lowest = None
        if visit.task is not Task.REMOVE:
            lowest = rules_for(rules, treatment, regimen, visit.dose.day).open_min_c
        able = [
            one
            for one in near
            if calendar.hindered(one, treatment.active, lowest) is None
            and any(-may_move.earlier <= one - day <= may_move.later for day in days)
        ]
        if not able:
            return lost_of(
                calendar,
                start,
                visit.task,
                day=visit.day,
                days=near,
                skill=treatment.active,
                lowest_c=lowest,
            )
        kind = KINDS[visit.task]
        strips = 0
        if visit.task is not Task.REMOVE:
            strips = visit.strips or 0
            dosed = visit.dose.day
        stop = Stop(
            task=kind.value,
            days=tuple(able),
            hands=minutes_for(kind, treatment.form, rules) * yard.colonies,
            set_up=0.0,
            skill=treatment.active,
            strips=with_spare(strips, rules.spare_percent) if strips else 0,
            right=right,
            away=SWAP_AWAY if visit.task is Task.SWAP else 1.0,
        )
        found.append(_following(stop, apart, may_move) if found else stop)
    return tuple(found)


def in_hand(
    job: Job, *, place: int, calendar: Calendar, rules: WorkRules, starts: bool = False
) -> Need | Lost | None:
    """A count or a check that is due, which is made where there is time; None: not within the days
    planned.

    starts:  something may be begun at the yard, so that a count that the season asks for may come
             before its day: once the treatment is in, it would say nothing
    """
    first = (job.day - calendar.first).days
    last = (job.best_by - calendar.first).days
    if job.kind is Kind.COUNT:
        last += JOB_LATER
    if first >= calendar.starts:
        return None
    early = 0 if starts and job.kind is Kind.COUNT else first
    found = _stop(job, early, last, calendar, rules, skill="")
    if isinstance(found, Lost):
        return found
    if job.kind is Kind.COUNT:
        found = found._replace(right=max((job.on - calendar.first).days, 0))
    worth = CHECK_WORTH / (2 if job.optional else 1)
    return _need([job], (found,), f"{job.kind.value}\n{job.number}", place, worth)


def doses_in_hand(
    jobs: Sequence[Job], *, place: int, calendar: Calendar, rules: WorkRules
) -> tuple[Need | None, tuple[tuple[Job, Lost], ...]]:
    """What is left to do of one treatment that is in the hives: fresh doses, then the removal.

    Each comes so long after the one before as the regimen asks, also where that one is late. All of
    it comes before anything new.

    jobs:  of one treatment, in their order

    The need, None where nothing is within the days planned; and the jobs that no day is left for.
    """
    kept: list[Job] = []
    stops: list[Stop] = []
    lost: list[tuple[Job, Lost]] = []
    for number, job in enumerate(jobs):
        assert job.treatment is not None
        first = last = (job.day - calendar.first).days
        may_move = job.slack
        if not number and first - may_move.earlier >= calendar.starts:
            return None, ()
        apart = _days_after_dose(kept[-1], job) if kept else None
        if apart is not None:
            first, last = min(stops[-1].days) + apart, max(stops[-1].days) + apart
        found = _stop(
            job, first - may_move.earlier, last + may_move.later, calendar, rules,
            skill=job.treatment.active,
        )  # fmt: skip
        if isinstance(found, Lost):
            lost.append((job, found))
            continue
        found = found._replace(right=max((job.on - calendar.first).days, 0))
        if apart is not None:
            found = _following(found, apart, may_move)
        kept.append(job)
        stops.append(found)
    if not kept:
        return None, tuple(lost)
    return _need(kept, tuple(stops), DOSES, place, BEGUN_WORTH), tuple(lost)


def _days_after_dose(before: Job, job: Job) -> int | None:
    """By how many days a job in hand follows a fresh dose, whenever that is given; None: the job
    before is none."""
    if before.kind is not Kind.SWAP or before.dose is None or job.regimen is None:
        return None
    day = job.regimen.exposure_days if job.kind is Kind.REMOVE or job.dose is None else job.dose.day
    return day - before.dose.day


def _following(stop: Stop, apart: int, may_move: Slack) -> Stop:
    """A stop that comes so many days after the one before, on whatever day that is."""
    return stop._replace(
        after=max(apart - may_move.earlier, 1), within=apart + may_move.later, follows=apart
    )


def _stop(
    job: Job, first: int, last: int, calendar: Calendar, rules: WorkRules, *, skill: str
) -> Stop | Lost:
    """The stop of a job on the days from `first` to `last`, both inside, or for some time on where
    those have passed."""
    right = max((job.on - calendar.first).days, 0)
    if last < right:
        last = right + JOB_LATER
    near = [one for one in range(max(first, 0), last + 1) if one < calendar.days]
    near.sort(key=lambda one: (abs(one - right), -one))
    lowest = None
    if job.kind is Kind.SWAP and job.treatment is not None and job.regimen is not None:
        day = 0 if job.dose is None else job.dose.day
        lowest = rules_for(rules, job.treatment, job.regimen, day).open_min_c
    able = tuple(one for one in near if calendar.hindered(one, skill, lowest) is None)
    if not able:
        task = {Kind.SWAP: Task.SWAP, Kind.REMOVE: Task.REMOVE}.get(job.kind, Task.APPLY)
        return lost_of(calendar, job.day, task, day=job.on, days=near, skill=skill, lowest_c=lowest)
    strips = 0
    if job.kind is not Kind.REMOVE and job.load.bring_strips is not None:
        strips = job.load.bring_strips
    weight = SWAP_AWAY if job.kind is Kind.SWAP else 1.0
    return Stop(job.kind.value, able, job.minutes, 0.0, skill, strips, away=weight)


def _need(
    jobs: Sequence[Job], stops: tuple[Stop, ...], name: str, place: int, worth: float
) -> Need:
    job = jobs[0]
    late = name == DOSES and job.late_days > 0
    if late:
        # What a day costs that is late already is said for all of it.
        stops = tuple(one._replace(away=1.0) for one in stops)
    return Need(
        key=f"{job.yard}\n{job.series}\n{name}",
        yard=job.yard,
        place=place,
        colonies=job.colonies,
        last=max(stops[0].days),
        options=(
            Option(
                start=stops[0].days[0],
                treatment="" if job.treatment is None else job.treatment.id,
                regimen="" if job.regimen is None else job.regimen.id,
                stops=stops,
                value=worth * job.colonies,
            ),
        ),
        begun=name == DOSES,
        starts=False,
        # A count loses no larger share of its worth for each day than a treatment does.
        away=LATE if late else min(worth, 1.0),
    )
