"""What a crew's plan is made from: the journal, the stored forecast, crews.toml and what was
promised. Nothing is fetched.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from enum import Enum
from functools import partial
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from windowcast.answer import answer_yard, days_of, find_treatments, moment, stored_weather
from windowcast.crew import needs as wanted
from windowcast.crew import replan
from windowcast.crew import stock as strips
from windowcast.crew.days import Calendar, Lost, closed_days
from windowcast.crew.hours import Leave, crew_of
from windowcast.crew.instance import (
    Crew,
    Instance,
    Need,
)
from windowcast.crew.needs import Gone
from windowcast.crew.replan import Promise
from windowcast.crew.settings import CrewSettings
from windowcast.crew.travel import Point, roads, with_calls
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import as_seen, season_rules, winter_of
from windowcast.errors import UsageError
from windowcast.trade.course import courses
from windowcast.trade.due import Due, State, of_yard
from windowcast.trade.hive import Blocked, Obstacle
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.winter import Broodless, Winter, seen_broodless
from windowcast.trade.work import Job, begun, free_from, jobs, to_do
from windowcast.trade.workable import rules_for
from windowcast.trade.yard import Yard
from windowcast.window.choice import Option
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer
from windowcast.window.plan import timing
from windowcast.window.scan import Words

DAYS_AHEAD = 30
FURTHEST = timedelta(days=3653)
DUE = (State.COMING, State.NOW, State.OVERDUE)


class Late(NamedTuple):
    """A start that the notice names after the last day on which it would be in time."""

    day: date
    regimen: Regimen
    limit: date


class Without(NamedTuple):
    """A yard for which no start can be planned, before any crew is asked.

    known:    a usable forecast says something of it
    blocked:  what must be done at the hives first
    free:     no start before this day, for what is in the hives or its count; None: none such
    lost:     starts that the weather allows, with the visit that cannot be
    beyond:   the forecast judges no start as late as the days planned
    look:     the last day for which the look for brood counts, in the winter round
    barred:   why each day is none to start on
    instead:  the other treatments, where the notice holds them up
    old_hours: how old the forecast is, where it is too old; None: it is not, or there is none
    late:     the start that the notice names, where that is too late to be planned
    """

    yard: str
    due: Due
    known: bool
    blocked: tuple[Blocked, ...] = ()
    free: date | None = None
    lost: tuple[Lost, ...] = ()
    beyond: bool = False
    look: date | None = None
    barred: tuple[tuple[int, str], ...] = ()
    instead: tuple[Option, ...] = ()
    old_hours: float | None = None
    late: Late | None = None


class LeftOut(Enum):
    """Why no start is looked for at a yard that nothing is due at."""

    NOT_DUE = "not_due"
    TREATED = "treated"
    LOOK = "look"
    BROOD = "brood"


class YardTask(NamedTuple):
    """What is planned from of one yard.

    jobs:     in hand, by the key of their need, in the order of its stops
    skipped:  jobs in hand that no day is left for, with the reason
    gone:     why the start that was promised there is none any more; None: it is, or none was
    calendar: on which days it can be worked
    left_out: why no start is looked for, where the weather names one or it is the time of the
              winter round
    """

    yard: Yard
    entries: tuple[Entry, ...]
    due: Due
    answer: YardAnswer | None
    needs: tuple[Need, ...]
    jobs: Mapping[str, tuple[Job, ...]]
    skipped: tuple[tuple[Job, Lost], ...]
    without: Without | None
    gone: Gone | None
    calendar: Calendar
    left_out: tuple[LeftOut, ...] = ()

    @property
    def known(self) -> bool:
        """Whether a usable forecast says something of it."""
        return self.answer is not None and self.answer.main.status is not Status.UNKNOWN


class Task(NamedTuple):
    """All that a plan is made from.

    leaves:           by the crew's number and the day of the plan
    promised_sheets:  the sheets that were promised, as `sheets_document` made them
    held:             the strips that are there today
    """

    configuration: Configuration
    settings: CrewSettings
    first: date
    days: int
    today: date
    yards: tuple[YardTask, ...]
    named: Mapping[str, YardTask]
    instance: Instance
    promises: tuple[Promise, ...]
    begun: frozenset[str]
    promised_number: int | None
    leaves: tuple[tuple[Leave, ...], ...] = ()
    promised_sheets: tuple[Mapping[str, Any], ...] = ()
    held: tuple[strips.Held, ...] = ()

    def begins(self, crew: int, day: int) -> datetime:
        """When a crew leaves on a day of the plan, local time: not before sunrise, and today not
        before now."""
        on = datetime.combine(self.first + timedelta(days=day), time())
        return on + timedelta(minutes=self.leaves[crew][day].minute)


def first_day(text: str | None) -> date | None:
    """The day given to --from; None: none was. Raises UsageError."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--from is {text!r}, but must be a day such as 2026-08-31") from None


def gather(
    configuration: Configuration,
    settings: CrewSettings,
    store: Store,
    *,
    now: datetime,
    first: date | None = None,
    days: int = DAYS_AHEAD,
) -> Task:
    """What the plan of `days` days from `first` on is made from; None: from today on.

    Raises UsageError where that is before today.
    """
    today = min(now.astimezone(ZoneInfo(yard.timezone)).date() for yard in configuration.yards)
    if first is not None and first < today:
        raise UsageError(f"--from is {first}, which has passed; name {today} or a later day")
    if first is not None and first > today + FURTHEST:
        raise UsageError(
            f"--from is {first}, which is too far ahead; name {today + FURTHEST} or an earlier day"
        )
    begins = today if first is None else first
    longest = max(
        regimen.exposure_days + regimen.removal_late_days
        for one in configuration.treatments
        for regimen in one.regimens
    )
    whole = days + longest + 1
    places, numbers = _places(configuration, settings)
    zone = ZoneInfo(configuration.yards[0].timezone)
    # The invented weather is a demonstration: there it is always morning.
    clock = None if configuration.weather.provider == "sample" else now.astimezone(zone)
    crews, leaves = [], []
    for number in range(len(settings.crews)):
        place = numbers[_base_name(settings, number)]
        crew, times = crew_of(settings, number, places[place], begins, whole, place, zone, clock)
        crews.append(crew)
        leaves.append(times)
    kept = store.promised_plan()
    promises = () if kept is None else promises_of(kept.document)
    found = [
        _yard_task(
            configuration, settings, store, yard, now=now, first=begins, days=days, whole=whole,
            crews=crews, over=any(times[0].over for times in leaves), place=numbers[yard.name],
            promises=promises,
        )
        for yard in configuration.yards
    ]  # fmt: skip
    given = {
        (numbers[one], numbers[other]): minutes
        for one, other, minutes in settings.drives
        if one in numbers and other in numbers
    }
    yards = {numbers[yard.name] for yard in configuration.yards}
    calls = tuple(
        configuration.work.yard_minutes if place in yards else 0.0 for place in range(len(places))
    )
    needs = replan.with_promises(
        [need for one in found for need in one.needs],
        promises,
        first=begins,
        crews=[crew.name for crew in crews],
    )
    entered = frozenset(
        promise.key
        for promise in promises
        for one in found
        if one.yard.name == promise.yard
        and promise.key.count("\n") == 1
        and _entered(one.entries, promise.key)
    )
    there = strips.held(
        settings.stock,
        () if not settings.stock else courses(store.journal()),
        today=today,
        spare_percent=configuration.work.spare_percent,
        written=settings.written,
    )
    return Task(
        configuration=configuration,
        settings=settings,
        first=begins,
        days=days,
        today=today,
        yards=tuple(found),
        named={one.yard.name: one for one in found},
        instance=Instance(
            crews=tuple(crews),
            needs=needs,
            roads=with_calls(
                roads(
                    places,
                    road_factor=settings.road_factor,
                    speed_kmh=settings.speed_kmh,
                    given=given,
                ),
                calls,
            ),
            calls=calls,
            days=whole,
            stock=strips.stock(settings.stock, there, first=begins, today=today),
            hour=settings.hour_colonies,
            away=wanted.AWAY,
            keep=settings.move_gain,
        ),
        promises=promises,
        begun=entered,
        promised_number=None if kept is None else kept.number,
        leaves=tuple(leaves),
        promised_sheets=() if kept is None else tuple(kept.document.get("sheets", ())),
        held=there,
    )


def _places(
    configuration: Configuration, settings: CrewSettings
) -> tuple[list[Point], dict[str, int]]:
    """Where days begin and end, and the yards; each by its name, the plan's base as ""."""
    yards = configuration.yards
    middle = settings.base or Point(
        sum(one.latitude for one in yards) / len(yards),
        sum(one.longitude for one in yards) / len(yards),
    )
    places, numbers = [middle], {"": 0}
    for crew in settings.crews:
        if crew.base is not None:
            numbers[crew.name] = len(places)
            places.append(crew.base)
    for yard in yards:
        numbers[yard.name] = len(places)
        places.append(Point(yard.latitude, yard.longitude))
    return places, numbers


def _base_name(settings: CrewSettings, number: int) -> str:
    crew = settings.crews[number]
    return "" if crew.base is None else crew.name


def _yard_task(
    configuration: Configuration,
    settings: CrewSettings,
    store: Store,
    yard: Yard,
    *,
    now: datetime,
    first: date,
    days: int,
    whole: int,
    crews: Sequence[Crew],
    over: bool,
    place: int,
    promises: Sequence[Promise],
) -> YardTask:
    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    entries = tuple(store.journal(yard.name))
    treatments = find_treatments(configuration, yard)
    rules = season_rules(configuration, today)
    due = of_yard(yard, treatments, entries=entries, rules=rules, today=today)
    weather = stored_weather(configuration, store, yard, now)
    actives = {one.active for one in configuration.treatments} | {""}
    shut_by = partial(
        closed_days,
        weather.open_days if weather.fresh else {},
        weather.scenarios if weather.fresh else None,
        first=first,
        days=whole,
    )
    calendar = Calendar(
        first=first,
        days=whole,
        starts=days,
        works={
            active: frozenset(
                day
                for day in range(whole)
                for crew in crews
                if crew.can(active) and crew.minutes[day] > 0
            )
            for active in actives
        },
        closed=shut_by(configuration.work),
        dark={
            active: frozenset(
                day
                for day in range(whole)
                for crew in crews
                if crew.can(active) and crew.darkened(day) and crew.minutes[day] <= 0
            )
            for active in actives
        },
        fixed=tuple(
            one.taken for one in settings.fixed if one.yard.casefold() == yard.name.casefold()
        ),
        closed_from={each.open_min_c: shut_by(each) for each in _opened(configuration, treatments)},
        over=over,
    )
    winter = winter_of(configuration, yard, treatments, entries=entries, today=today)
    in_season = due.state in DUE
    in_winter = not in_season and _winter_round(winter, yard)
    open_jobs = to_do(
        jobs(
            yard,
            entries=entries,
            plan=None,
            rules=configuration.work,
            today=today,
            counts_due=due.counts_due,
            passed=due.state is State.NOW,
        )
    )
    in_hand: list[Need] = []
    skipped: list[tuple[Job, Lost]] = []
    by_key: dict[str, tuple[Job, ...]] = {}
    doses: dict[str, list[Job]] = {}
    for job in open_jobs:
        if job.dose is not None:
            doses.setdefault(job.series, []).append(job)
            continue
        need = wanted.in_hand(
            job,
            place=place,
            calendar=calendar,
            rules=configuration.work,
            starts=in_season or in_winter,
        )
        if isinstance(need, Lost):
            skipped.append((job, need))
        elif need is not None:
            in_hand.append(need)
            by_key[need.key] = (job,)
    for series, of_treatment in doses.items():
        kept = [one for one in promises if one.key.split("\n")[:2] == [yard.name, series]]
        mine = [_arranged(one, kept, today) for one in of_treatment]
        mine.sort(key=lambda one: one.day)
        left, lost = wanted.doses_in_hand(
            mine, place=place, calendar=calendar, rules=configuration.work
        )
        skipped += lost
        if left is not None:
            in_hand.append(left)
            without_day = [job for job, _ in lost]
            by_key[left.key] = tuple(job for job in mine if job not in without_day)
    answer = None
    if weather.sources:
        seen = as_seen(store, yard, now, entries)
        answer = answer_yard(configuration, seen, weather, now=now, treatments=treatments)
    need, without, gone = None, None, None
    left_out: tuple[LeftOut, ...] = ()
    if in_season or in_winter:
        need, without, gone = _start_of(
            configuration, yard, entries, due, answer,
            words=None if weather.scenarios is None else Words(weather.scenarios),
            place=place, calendar=calendar, today=today, promises=promises,
            weight=wanted.weight_of(due, rules, south=yard.latitude < 0, day=max(first, today)),
            waiting=wanted.waiting_of(due, rules),
            winter=None if in_season else winter,
            over=moment(configuration, yard, now).over,
        )  # fmt: skip
        if in_winter and need is None and winter.state in (Broodless.LOOK, Broodless.OLD):
            left_out = (LeftOut.LOOK,)
        bare = without is not None and without.known and without.free is None
        if in_season and answer is not None and without is not None and bare:
            broodless = not yard.hive.brood or seen_broodless(entries, today) is not None
            told = days_of(configuration, yard, weather).free(answer).treatments
            when = timing(due, told, courses=courses(entries), today=today, broodless=broodless)
            without = without._replace(instead=when.instead, late=_late(due, told, when.main))
    elif answer is not None:
        free = free_from(entries, today, passed=False)
        left_out = _left_out(due, winter, answer, today if free is None else free)
    return YardTask(
        yard=yard,
        entries=entries,
        due=due,
        answer=answer,
        needs=(*in_hand, *([] if need is None else [need])),
        jobs=by_key,
        skipped=tuple(skipped),
        without=without,
        gone=gone,
        calendar=calendar,
        left_out=left_out,
    )


def _late(due: Due, told: Iterable[TreatmentAnswer], main: Treatment) -> Late | None:
    """The start of the first choice that the notice names, where it is not in time."""
    for one in told:
        if one.treatment == main and one.named is not None:
            regimen = one.named.start.regimen
            limit = wanted.last_day(due, regimen)
            if limit is not None and one.named.day > limit:
                return Late(one.named.day, regimen, limit)
    return None


def _opened(configuration: Configuration, treatments: Iterable[Treatment]) -> Collection[WorkRules]:
    """When hives can be opened for what is given at a yard, each once."""
    known = {one.id: one for one in (*configuration.treatments, *treatments)}
    return {
        rules_for(configuration.work, one, regimen, dose.day)
        for one in known.values()
        for regimen in one.regimens
        for dose in regimen.doses
    }


def _winter_round(winter: Winter, yard: Yard) -> bool:
    """Whether the winter round can begin: the hives were seen broodless, or have no brood by the
    configuration and nobody has seen any."""
    if winter.state in (Broodless.LOOK, Broodless.OLD):
        return not yard.hive.brood
    return winter.state is Broodless.SEEN


def _left_out(due: Due, winter: Winter, answer: YardAnswer, free: date) -> tuple[LeftOut, ...]:
    """Why no start is looked for at a yard where nothing is due."""
    found = []
    main = answer.main
    if main.named is not None and main.status is Status.OPEN and main.named.day >= free:
        found.append(LeftOut.TREATED if due.state is State.DONE else LeftOut.NOT_DUE)
    if winter.state in (Broodless.LOOK, Broodless.OLD):
        found.append(LeftOut.LOOK)
    if winter.state is Broodless.BROOD:
        found.append(LeftOut.BROOD)
    return tuple(found)


def _arranged(job: Job, kept: Sequence[Promise], today: date) -> Job:
    """A job that is late by its right day is not, where it was promised for a day that its regimen
    still allows.

    kept:  what was promised of its treatment
    """
    days = [day for one in kept for task, day, _ in one.stops if task == job.kind.value]
    if job.late_days and not job.lapsed and any(today <= day <= job.latest for day in days):
        return job._replace(late_days=0)
    return job


def _start_of(
    configuration: Configuration,
    yard: Yard,
    entries: Sequence[Entry],
    due: Due,
    answer: YardAnswer | None,
    *,
    words: Words | None,
    place: int,
    calendar: Calendar,
    today: date,
    promises: Sequence[Promise],
    weight: float,
    waiting: float,
    winter: Winter | None = None,
    over: bool = False,
) -> tuple[Need | None, Without | None, Gone | None]:
    """What a yard that is due could start, or why it could start nothing; and why not what was
    promised.

    winter:  nothing is due by the season, but the winter round is
    over:    nothing is begun today any more
    """
    if answer is None or answer.main.status is Status.UNKNOWN:
        old = None if answer is None or not answer.forecast.stale else answer.forecast.age_hours
        return None, Without(yard.name, due, known=False, old_hours=old), None
    free = free_from(entries, today, passed=due.state is State.NOW)
    not_before = max(calendar.first, today, today if free is None else free)
    not_after = None
    if winter is None:
        broodless = not yard.hive.brood or seen_broodless(entries, today) is not None
        rows, blocked = _due_rows(due, answer, entries, today, broodless=broodless)
    else:
        if yard.hive.brood:
            not_after = winter.until
        rows, blocked = _winter_rows(answer, not_before, not_after)
    key = start_key(yard.name, entries)
    promise = next((one for one in promises if one.key == key), None)
    found = wanted.starts(
        yard,
        place=place,
        key=key,
        due=due,
        rows=rows,
        words=words,
        calendar=calendar,
        rules=configuration.work,
        weight=weight,
        waiting=waiting,
        not_before=not_before,
        not_after=not_after,
        promised=None if promise is None else (promise.treatment, promise.regimen, promise.start),
        cancel_below=configuration.decision.cancel_below,
    )
    gone = found.gone
    if gone is not None and not any(gone) and promise is not None and promise.start == today:
        gone = gone._replace(over=over)
    if found.need is not None:
        return found.need, None, gone
    judged = [row.day for one in answer.treatments for row in one.rows]
    beyond = bool(judged) and max(judged) < calendar.first
    without = Without(
        yard.name, due, True, blocked, free, found.lost, beyond, not_after, found.barred
    )
    return None, without, gone


def _due_rows(
    due: Due, answer: YardAnswer, entries: Sequence[Entry], today: date, *, broodless: bool
) -> tuple[list[Row], tuple[Blocked, ...]]:
    """The starts to look at where something is due, and what must be done first for the first
    choice."""
    when = timing(
        due, answer.treatments, courses=courses(entries), today=today, broodless=broodless
    )
    rows: list[Row] = []
    blocked: tuple[Blocked, ...] = ()
    for one in answer.treatments:
        main = one.treatment == when.main
        instead = any(each.treatment == one.treatment for each in when.instead)
        if not main and not instead:
            continue
        needs = next(each.needs for each in when.options if each.treatment == one.treatment)
        if needs:
            if main:
                blocked = tuple(each for each in one.blocked if each.obstacle in needs)
            continue
        rows += one.rows
    return rows, blocked


def _winter_rows(
    answer: YardAnswer, not_before: date, not_after: date | None
) -> tuple[list[Row], tuple[Blocked, ...]]:
    """The starts of the winter round: of the first treatment for broodless colonies that has one
    named while the look counts; where none has, of all of them. And what must be done first at the
    hives."""
    fit = [one for one in answer.treatments if one.treatment.needs_broodless]
    # Days after the look are left out by `not_after`.
    ready = [one for one in fit if {each.obstacle for each in one.blocked} <= {Obstacle.LOOK}]
    for one in ready:
        if any(
            row.safe and row.day >= not_before and (not_after is None or row.day <= not_after)
            for row in one.rows
        ):
            return list(one.rows), ()
    blocked = fit[0].blocked if fit and not ready else ()
    return [row for one in ready for row in one.rows], tuple(blocked)


def start_key(yard: str, entries: Iterable[Entry]) -> str:
    """The name of a yard's next treatment, as `trade.work` counts them."""
    return f"{yard}\ntreatment-{begun(entries) + 1}"


def _entered(entries: Iterable[Entry], key: str) -> bool:
    """Whether the treatment of that name has begun."""
    number = int(key.rpartition("-")[2])
    return 0 < number <= begun(entries)


def promises_of(document: Mapping[str, Any]) -> tuple[Promise, ...]:
    """What `promise_document` kept; of a treatment also what follows its start, by the name that
    has once the treatment has begun."""
    found = []
    for one in document["needs"]:
        stops = tuple((task, date.fromisoformat(day), crew) for task, day, crew in one["stops"])
        promise = Promise(
            key=one["key"],
            yard=one["yard"],
            treatment=one["treatment"],
            regimen=one["regimen"],
            start=date.fromisoformat(one["start"]),
            stops=stops,
        )
        found.append(promise)
        if one["key"].count("\n") == 1:
            key = f"{one['key']}\n{wanted.DOSES}"
            found.append(promise._replace(key=key, stops=stops[1:]))
    return tuple(found)
