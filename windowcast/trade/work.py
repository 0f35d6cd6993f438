"""What has to be done at a yard, on which days and with what to bring.

From treatments in hand, the start that a forecast names, and what has been counted and checked
since. What is only planned says so: it moves with the weather.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from enum import Enum
from typing import NamedTuple

from windowcast.trade.bring import Load, Protection, add_up, load_of, protection
from windowcast.trade.course import Course, courses
from windowcast.trade.journal import Entry, in_force, standing_for
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Dose, Regimen, Slack, Treatment
from windowcast.trade.visits import Task, Visit, slack, visits
from windowcast.trade.yard import Yard

AFTER_COUNT_DAYS = 14
"""Days from the end of an exposure to the count that judges it: mites that sat in cells have to
come out first. COLOSS BEEBOOK, Varroa, 4.5.4.2.6.1 (Dietemann et al. 2013)."""
AFTER_COUNT_SPAN = 14
"""Days in which that count still tells of the treatment; common practice, no source."""
QUEEN_CHECK_DAYS, QUEEN_CHECK_SPAN = 14, 7
"""Two to three weeks from the last dose of formic acid: common practice, no source. Counted from
the dose and not from the end, because queens are lost to the peak of vapour, which follows a dose
(Underwood & Currie, "Effects of release pattern and room ventilation"), and because after two weeks
a colony without a queen shows no open brood. That queens are lost: Giovenazzo & Dubreuil 2011."""
REPOSITION_DAYS, REPOSITION_SPAN = 21, 7
"""In week 4 strips that work by contact are moved to where the bees now are; common practice, no
source."""
COUNTED_DAYS = 14
"""Days before a start in which a count still tells what the treatment finds; common practice, no
source."""
LAPSES_DAYS = 60
"""A count or a check that is later than this tells of other things; common practice, no source."""
SAMPLED_COLONIES = 8
"""Colonies sampled to judge a yard; common practice, no source."""


class Kind(Enum):
    """What is done."""

    APPLY = "apply"
    SWAP = "swap"
    REMOVE = "remove"
    REPOSITION = "reposition"
    QUEENS = "queens"
    COUNT_AFTER = "count-after"
    COUNT = "count"


class Plan(NamedTuple):
    """The start that a forecast names. `chance` is None where a single forecast names it."""

    start: date
    treatment: Treatment
    regimen: Regimen
    chance: float | None

    @property
    def end(self) -> date:
        """The day after the exposure."""
        return self.start + timedelta(days=self.regimen.exposure_days)


class Promised(NamedTuple):
    """What the crews' plan promised of a start, a fresh dose or a removal.

    treatment, regimen:  None where they are those of the job
    passed:  that day has, and no start is entered
    """

    day: date
    crew: str
    treatment: Treatment | None = None
    regimen: Regimen | None = None
    passed: bool = False


class Job(NamedTuple):
    """One thing to do at one yard.

    series, number:  tell jobs of a yard apart, and stay the same when days move: which treatment
                     (or count) of the yard it belongs to, planned or begun, and which dose
    day, best_by:    first and last day that are right for it, both inside
    on:              the day under which it is listed: `day`, or today where that has passed, or
                     the nearest on which people can be there
    late_days:       since `best_by`; 0 where it is not late
    colonies:        worked on; for a count, those sampled
    minutes:         at the hives, without what the yard itself takes and the drive
    planned:         hangs on a start that is still to come, and so on the weather
    since:           the day it is counted from: of the start, the last dose, the end; None: no such
    chance:          of the planned start
    done:            the day on which it was done; None: still to do
    slack:           of a fresh dose or a removal: how far from `day` its regimen allows it to be
    promised:        of a planned start, a fresh dose and a removal, what was promised: when, and
                     who comes
    too_cold:        of a count: on its day it is too cold to open hives
    warm_day:        of such a count: the first later day that is known to be warm enough
    lapsed:          of a removal: a fresh dose was never given, as of `Course.lapsed`
    """

    yard: str
    kind: Kind
    series: str
    number: int
    day: date
    best_by: date
    on: date
    late_days: int
    colonies: int
    minutes: float
    treatment: Treatment | None = None
    regimen: Regimen | None = None
    dose: Dose | None = None
    load: Load = Load()
    protection: tuple[Protection, ...] = ()
    planned: bool = False
    optional: bool = False
    since: date | None = None
    chance: float | None = None
    done: date | None = None
    slack: Slack = Slack()
    promised: Promised | None = None
    too_cold: bool = False
    warm_day: date | None = None
    lapsed: bool = False

    @property
    def moved(self) -> bool:
        """A fresh dose or a removal is listed on another day than its right one, as its regimen
        allows."""
        return (
            self.dose is not None
            and self.done is None
            and self.on != self.day
            and not (self.late_days)
        )

    @property
    def latest(self) -> date:
        """The last day that is right for it or that its regimen still allows."""
        return max(self.best_by, self.day + timedelta(days=self.slack.later))


class WorkDay(NamedTuple):
    """The jobs of one day, yard by yard; `minutes` with what the yards take, without the drive."""

    day: date
    jobs: tuple[Job, ...]
    minutes: float


def jobs(
    yard: Yard,
    *,
    entries: Sequence[Entry],
    plan: Plan | None,
    rules: WorkRules,
    today: date,
    counts_due: date | None = None,
    passed: bool = False,
    seams: int | None = None,
) -> tuple[Job, ...]:
    """Everything known of one yard, done lately and to do, by day.

    entries:     all of the yard's journal, as entered
    plan:        left out where `free_from` is after its start
    today:       in the yard's own calendar
    counts_due:  when the season next asks for a count; passed over while a treatment runs or the
                 count after one is due, which takes its place; also where another count serves it,
                 as `served` says; after the start of `plan` and before the count after it can be
                 made, it is made on the day of that start
    passed:      as of `free_from`
    seams:       of bees in a colony; None: by the brood chambers
    """
    book = _Book(yard, rules, today, seams, entries)
    known = courses(entries)
    found: list[Job] = []
    for place, course in enumerate(known):
        if not course.finished(today) or today - course.end <= timedelta(days=LAPSES_DAYS):
            # The count after a treatment no longer tells of it once the next one is in.
            found += book.of_course(course, counted_after=place == len(known) - 1)
    awaited = any(one.kind is Kind.COUNT_AFTER for one in to_do(found))
    free = free_from(entries, today, passed=passed)
    if plan is not None and free is not None and plan.start < free:
        plan = None
    found += book.counts_made()
    if plan is not None and counts_due is not None:
        last = last_count(entries)
        if served(counts_due, start=plan.start, end=plan.end, last=last):
            counts_due = None
        elif plan.start < counts_due < plan.end + timedelta(days=AFTER_COUNT_DAYS):
            # While it works and shortly after, a count says little, and some hives must stay shut:
            # count before it.
            counts_due = plan.start
    if counts_due is not None and not awaited:
        found.append(book.count(counts_due))
    if plan is not None:
        found += book.of_plan(plan)
    return tuple(sorted(found, key=lambda one: (one.on, _ORDER[one.kind])))


def last_count(entries: Iterable[Entry]) -> date | None:
    """The day of the last count that stands; None: none was made."""
    return max((one.day for one in in_force(entries) if one.kind == "count"), default=None)


def served(counts_due: date, *, start: date, end: date, last: date | None) -> bool:
    """Whether a treatment leaves no need for the count that the season asks for: the count after it
    is made in the same days, or the last one before it tells what the treatment finds.

    start, end:  of the treatment; its end is the day after the exposure
    last:        as of `last_count`
    """
    if counts_due <= start:
        return False
    judged = end + timedelta(days=AFTER_COUNT_DAYS)
    if counts_due < judged:
        return last is not None and start - last <= timedelta(days=COUNTED_DAYS)
    return counts_due <= judged + timedelta(days=AFTER_COUNT_SPAN)


_TASKS = {Kind.APPLY: Task.APPLY, Kind.SWAP: Task.SWAP, Kind.REMOVE: Task.REMOVE}
_ORDER = {kind: number for number, kind in enumerate(Kind)}


def to_do(found: Iterable[Job]) -> tuple[Job, ...]:
    """Those not done yet."""
    return tuple(one for one in found if one.done is None)


def begun(entries: Iterable[Entry]) -> int:
    """How many treatments were begun, voided ones too, as the names of series count them."""
    return sum(one.kind == "start" and one.corrects is None for one in entries)


def free_from(entries: Iterable[Entry], today: date, *, passed: bool = False) -> date | None:
    """The first day for which a next start may be planned; None: none stands in the way.

    Not while something is in the hives, and not before the count that says whether the last
    treatment worked can be made, unless that count is there.

    passed:  counts made since the last treatment have reached the threshold: that it did not work
             well enough need not be waited for
    """
    every = list(entries)
    counts = [one.day for one in in_force(every) if one.kind == "count"]
    waits = []
    for course in courses(every):
        if passed and course.finished(today):
            continue
        ready = course.by(today).end + timedelta(days=AFTER_COUNT_DAYS)
        if ready > today and not any(day >= ready for day in counts):
            waits.append(ready)
    return max(waits, default=None)


def by_day(found: Iterable[Job], rules: WorkRules) -> tuple[WorkDay, ...]:
    """Jobs to do, by the day they are listed under; what a yard takes counts once a day."""
    days: dict[date, list[Job]] = {}
    for one in sorted(to_do(found), key=lambda one: (one.on, one.yard, _ORDER[one.kind])):
        days.setdefault(one.on, []).append(one)
    return tuple(
        WorkDay(
            day=day,
            jobs=tuple(each),
            minutes=sum(one.minutes for one in each)
            + rules.yard_minutes * len({one.yard for one in each}),
        )
        for day, each in days.items()
    )


def minutes_for(kind: Kind, form: str, rules: WorkRules) -> float:
    """What one colony takes where something is put in, swapped or taken out."""
    if kind is Kind.REMOVE:
        return rules.remove_minutes
    if form == "trickle":
        return rules.trickle_minutes
    if form == "vapour":
        return rules.vapour_minutes
    return rules.apply_minutes if kind is Kind.APPLY else rules.swap_minutes


def loads(found: Iterable[Job]) -> dict[str, tuple[Treatment, Load]]:
    """What goes onto the truck for these jobs, by the treatment's id; strips to take out besides.

    `strips` are those to put in; those to take out are no load.
    """
    totals: dict[str, tuple[Treatment, Load]] = {}
    for one in found:
        if one.treatment is None or one.kind not in (Kind.APPLY, Kind.SWAP):
            continue
        _, before = totals.get(one.treatment.id, (one.treatment, Load()))
        totals[one.treatment.id] = (one.treatment, add_up(before, one.load))
    return totals


def gear(found: Iterable[Job]) -> tuple[Protection, ...]:
    """What to wear or have on these jobs, each once, in the order of `Protection`."""
    wanted = {each for one in found for each in one.protection}
    return tuple(each for each in Protection if each in wanted)


def _first_id(entry: Entry, by_id: Mapping[int, Entry]) -> int:
    """The id under which it was first entered, before any correction."""
    while entry.corrects is not None and entry.corrects in by_id:
        entry = by_id[entry.corrects]
    return entry.id


def _name(kind: str, place: int) -> str:
    """Of a treatment or a count before which so many were entered."""
    return f"{'treatment' if kind == 'start' else kind}-{place + 1}"


class _Given(NamedTuple):
    """One treatment of the yard, planned or begun, as its jobs need it.

    last_dose:  as given or as it is still to come
    end:        the day after the exposure; not before today while something is in the hives
    """

    series: str
    treatment: Treatment
    regimen: Regimen
    colonies: int
    start: date
    last_dose: date
    end: date
    planned: bool
    chance: float | None


class _Book:
    """One yard's jobs in the making."""

    def __init__(
        self,
        yard: Yard,
        rules: WorkRules,
        today: date,
        seams: int | None,
        entries: Sequence[Entry],
    ) -> None:
        self.yard, self.rules, self.today, self.seams = yard, rules, today, seams
        self.entries = {one.id: one for one in entries}
        self.counted = in_force(entries)
        self.stands = standing_for(entries)

    def of_course(self, course: Course, *, counted_after: bool) -> list[Job]:
        """The jobs of a treatment that has begun, those done too; what follows on a visit that is
        overdue is counted from today."""
        course = course.by(self.today)
        begun = _first_id(course.entry, self.entries)
        given = _Given(
            series=self._series("start", before=begun),
            treatment=course.treatment,
            regimen=course.regimen,
            colonies=course.colonies,
            start=course.start,
            last_dose=max(course.dose_days),
            end=course.end,
            planned=False,
            chance=None,
        )
        doses = course.regimen.doses
        found = [self._visit(given, Kind.APPLY, 0, course.start, doses[0], done=course.start)]
        for number, swap in enumerate(course.swaps, start=1):
            dose = doses[min(number, len(doses) - 1)]
            found.append(self._visit(given, Kind.SWAP, number, swap.day, dose, done=swap.day))
        if course.removed is not None and course.regimen.removed:
            day = course.removed.day
            found.append(self._visit(given, Kind.REMOVE, 0, day, doses[-1], done=day))
        ahead = self._visits(given, course.due(), given_so_far=1 + len(course.swaps))
        found += [one._replace(lapsed=course.lapsed) for one in ahead]
        found += self._besides(given, course.entry.id, [one.day for one in course.notes])
        if counted_after:
            found += self._count_after(given)
        return found

    def of_plan(self, plan: Plan) -> list[Job]:
        """The jobs of a start that is still to come."""
        start, regimen = plan.start, plan.regimen
        given = _Given(
            series=self._series("start"),
            treatment=plan.treatment,
            regimen=regimen,
            colonies=self.yard.colonies,
            start=start,
            last_dose=start + timedelta(days=regimen.doses[-1].day),
            end=start + timedelta(days=regimen.exposure_days),
            planned=True,
            chance=plan.chance,
        )
        ahead = visits(regimen, start=start, colonies=self.yard.colonies)
        return (
            self._visits(given, ahead, given_so_far=0)
            + self._besides(given, None, [])
            + self._count_after(given)
        )

    def count(self, due: date) -> Job:
        """The count that the season asks for."""
        return self._sampling(Kind.COUNT, self._series("count"), due, due)

    def counts_made(self) -> list[Job]:
        """The counts of late, of some colonies or of all, as the ones that the season asked for."""
        made = [one for one in self.counted if one.kind == "count"]
        late = [one for one in made if (self.today - one.day).days <= LAPSES_DAYS]
        asked = sorted(
            one.id for one in self.entries.values() if one.kind == "count" and one.corrects is None
        )
        found = []
        for one in late:
            place = bisect_left(asked, _first_id(one, self.entries))
            job = self._sampling(Kind.COUNT, _name("count", place), one.day, one.day)
            found.append(job._replace(late_days=0, done=one.day))
        return found

    def _visits(self, given: _Given, ahead: Iterable[Visit], *, given_so_far: int) -> list[Job]:
        found = []
        number = given_so_far
        for visit in ahead:
            if visit.task is Task.REMOVE:
                found.append(self._visit(given, Kind.REMOVE, 0, visit.day, visit.dose))
            else:
                kind = Kind.SWAP if visit.task is Task.SWAP else Kind.APPLY
                found.append(self._visit(given, kind, number, visit.day, visit.dose))
                number += 1
        return found

    def _besides(self, given: _Given, entry: int | None, noted: Sequence[date]) -> list[Job]:
        """What is neither a dose nor a removal: strips moved, queens looked for."""
        found = []
        treatment, regimen = given.treatment, given.regimen
        strips = regimen.doses[0].strips
        moved_to = REPOSITION_DAYS + REPOSITION_SPAN
        if treatment.active == "amitraz" and strips and regimen.exposure_days > moved_to:
            day = given.start + timedelta(days=REPOSITION_DAYS)
            best_by = given.start + timedelta(days=moved_to)
            done = next((one for one in noted if day <= one <= best_by), None)
            if self.today <= best_by or done is not None:
                moved = self._job(given, Kind.REPOSITION, 0, day, best_by, done=done)
                minutes = self.rules.swap_minutes * given.colonies
                found.append(moved._replace(optional=True, minutes=minutes, since=given.start))
        if treatment.active == "formic acid":
            day = given.last_dose + timedelta(days=QUEEN_CHECK_DAYS)
            if treatment.hive_shut:
                day = max(day, given.start + timedelta(days=regimen.exposure_days))
            best_by = day + timedelta(days=QUEEN_CHECK_SPAN)
            done = self._queens_checked(given, entry, day)
            if done is not None or self.today - best_by <= timedelta(days=LAPSES_DAYS):
                check = self._job(given, Kind.QUEENS, 0, day, best_by, done=done)
                minutes = self.rules.queen_check_minutes * given.colonies
                found.append(check._replace(protection=(), minutes=minutes, since=given.last_dose))
        return found

    def _count_after(self, given: _Given) -> list[Job]:
        day = given.end + timedelta(days=AFTER_COUNT_DAYS)
        best_by = day + timedelta(days=AFTER_COUNT_SPAN)
        done = None
        if not given.planned:
            counts = (one.day for one in self.counted if one.kind == "count")
            done = next((one for one in counts if one >= day), None)
        job = self._sampling(Kind.COUNT_AFTER, given.series, day, best_by)
        return [
            job._replace(
                treatment=given.treatment,
                regimen=given.regimen,
                planned=given.planned,
                chance=given.chance,
                since=given.end,
                done=done,
            )
        ]

    def _queens_checked(self, given: _Given, entry: int | None, day: date) -> date | None:
        """The day of the check that counts: one entered for this start, or any from `day` on."""
        if given.planned:
            return None
        for one in self.counted:
            if one.kind != "queens":
                continue
            linked = one.body.get("start")
            if linked is None:
                if one.day >= day:
                    return one.day
            elif self.stands.get(linked) == entry:
                return one.day
        return None

    def _sampling(self, kind: Kind, series: str, day: date, best_by: date) -> Job:
        sampled = min(SAMPLED_COLONIES, self.yard.colonies)
        return Job(
            yard=self.yard.name,
            kind=kind,
            series=series,
            number=0,
            day=day,
            best_by=best_by,
            on=max(day, self.today),
            late_days=max((self.today - best_by).days, 0),
            colonies=sampled,
            minutes=self.rules.count_minutes * sampled,
        )

    def _visit(
        self,
        given: _Given,
        kind: Kind,
        number: int,
        day: date,
        dose: Dose,
        *,
        done: date | None = None,
    ) -> Job:
        if kind is Kind.REMOVE:
            strips = None if dose.strips is None else dose.strips * given.colonies
            load = Load(strips=strips)
        else:
            load = load_of(
                given.treatment,
                dose,
                self.yard.hive,
                colonies=given.colonies,
                spare_percent=self.rules.spare_percent,
                seams=self.seams,
            )
        return self._job(given, kind, number, day, day, done=done)._replace(
            dose=dose,
            load=load,
            minutes=minutes_for(kind, given.treatment.form, self.rules) * given.colonies,
            slack=slack(given.regimen, _TASKS[kind]),
            since=None if kind is Kind.APPLY else given.start,
        )

    def _job(
        self,
        given: _Given,
        kind: Kind,
        number: int,
        day: date,
        best_by: date,
        *,
        done: date | None,
    ) -> Job:
        return Job(
            yard=self.yard.name,
            kind=kind,
            series=given.series,
            number=number,
            day=day,
            best_by=best_by,
            on=max(day, self.today),
            late_days=0 if done is not None else max((self.today - best_by).days, 0),
            colonies=given.colonies,
            minutes=0.0,
            treatment=given.treatment,
            regimen=given.regimen,
            protection=protection(given.treatment),
            planned=given.planned,
            chance=given.chance,
            done=done,
        )

    def _series(self, kind: str, *, before: int | None = None) -> str:
        """The name of a treatment or a count of this yard: how many were entered before it.

        Corrections are not counted and voided ones are, so that a name never passes to another: it
        is the same for a plan and for the treatment that it becomes.
        """
        entered = (
            one for one in self.entries.values() if one.kind == kind and one.corrects is None
        )
        return _name(kind, sum(before is None or one.id < before for one in entered))
