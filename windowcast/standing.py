"""How a yard stands today: what is in its hives, when it is due, and what is to be done next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from windowcast.answer import SECOND, YardWeather, days_of
from windowcast.crew.held_back import Days
from windowcast.crew.promised import PromisedStart, promised_start, promised_visits, with_promised
from windowcast.edges.settings import Configuration, DecisionSettings
from windowcast.edges.store import Store
from windowcast.entering import season_rules, today_at, winter_of
from windowcast.language import tr, trn
from windowcast.notice import (
    count_lines,
    course_lines,
    due_lines,
    hive_lines,
    visit_lines,
    watch_lines,
    words,
)
from windowcast.notice.beside import Beside
from windowcast.notice.plain import labelled
from windowcast.notice.promised_lines import promised_document, promised_lines
from windowcast.notice.rank import SOON_DAYS
from windowcast.notice.second_lines import second_document, second_lines
from windowcast.notice.strength_lines import strength_document, strength_lines
from windowcast.notice.taken_lines import taken_document
from windowcast.record import site
from windowcast.sky.scenarios import MISSING
from windowcast.sky.second import Difference
from windowcast.trade import vapour
from windowcast.trade.choice import Judged, judged_last
from windowcast.trade.course import Course, courses, in_hand
from windowcast.trade.due import Due, State, of_yard
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Board, board_over, rounds
from windowcast.trade.vapour import Strength
from windowcast.trade.visits import Task
from windowcast.trade.winter import Winter, seen_broodless
from windowcast.trade.work import Job, Kind, Plan, begun, free_from, jobs, to_do
from windowcast.trade.workable import Hindrance, hindrances
from windowcast.trade.yard import Yard
from windowcast.window.decide import Status, TreatmentAnswer, YardAnswer
from windowcast.window.plan import Timing, timing
from windowcast.window.watch import Level, Watch, watch

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow


class Standing(NamedTuple):
    """One yard today.

    course:   the treatment that is in; None: none is
    watch:    over it
    due:      when a treatment is due
    timing:   the days to start, and what else there is where there are none
    judged:   the last treatment, by the count after it; None: there was none lately
    winter:   the round in winter
    jobs:     visits to be made, without those of a start that is only named
    all_jobs: these too, and what was done lately
    strength: of the start that is named, by regimen
    second:   where second weather services differ from the first, by their names
    resting:  the start that the weather names is before this day, on which the count that judges
              the last treatment can be made: until then none is named; None: nothing waits
    board:    above its limit, without a sample since; None: none is, or something is in the hives
    colonies: of the yard
    promised: the next start as the crews' plan promised it; None: it does not
    promise:  the same with whether it stands, as JSON allows
    decision: by which starts are named and kept
    shut:     what of today's forecast keeps hives shut by `[work]`; none where it is not known
    days:     those of the yard that something else has taken and those on which crews work
    told:     the answer without the starts that are kept back (`held_back.Days.told`), and with the
              promised one where that stands (`crew.promised`)
    """

    course: Course | None
    watch: Watch | None
    due: Due
    timing: Timing
    judged: Judged | None
    winter: Winter
    jobs: tuple[Job, ...]
    all_jobs: tuple[Job, ...]
    strength: dict[str, Strength]
    second: Mapping[str, tuple[Difference, ...]]
    told: YardAnswer
    days: Days
    resting: date | None = None
    board: Board | None = None
    colonies: int = 1
    promised: PromisedStart | None = None
    promise: dict[str, Any] | None = None
    decision: DecisionSettings = DecisionSettings()
    shut: tuple[Hindrance, ...] = ()

    @property
    def fixed(self) -> tuple[FixedRow, ...]:
        """The days that something else has taken."""
        return self.days.fixed

    @property
    def passed(self) -> bool:
        """Counts since the last treatment have reached the threshold."""
        return self.due.state is State.NOW

    @property
    def in_danger(self) -> bool:
        """Heat threatens what is in the hives."""
        return self.watch is not None and self.watch.level is Level.URGENT


def standing(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    weather: YardWeather,
    answer: YardAnswer,
    *,
    now: datetime,
    entries: Sequence[Entry] | None = None,
) -> Standing:
    """How a yard stands, by its journal and what its stored weather says.

    entries:  the journal, where it has been read already
    """
    today = today_at(yard, now)
    if entries is None:
        entries = store.journal(yard.name)
    known = courses(entries)
    course = in_hand(known, today)
    days = days_of(configuration, yard, weather)
    kept = store.promised_plan()
    document = None if kept is None else kept.yards.get(yard.name)
    promised = promised_start(document, yard.name, begun(entries))
    days = days._replace(promised=promised_visits(document))
    below = configuration.decision.cancel_below
    free_answer = days.free(answer)
    left = with_promised(free_answer, promised, below)
    told = days.told(answer, left)
    main = left.main
    broodless = not yard.hive.brood or seen_broodless(entries, today) is not None
    plans = [one.treatment for one in answer.treatments]
    needed = of_yard(
        yard, plans, entries=entries, rules=season_rules(configuration, today), today=today
    )
    passed = needed.state is State.NOW
    planned = main.named
    plan = (
        None
        if planned is None or main.status in (Status.UNKNOWN, Status.BLOCKED)
        else Plan(
            start=planned.day,
            treatment=main.treatment,
            regimen=planned.start.regimen,
            chance=None if planned.start.chance is None else planned.start.chance.value,
        )
    )
    found = jobs(
        yard,
        entries=entries,
        plan=plan,
        rules=configuration.work,
        today=today,
        counts_due=needed.counts_due,
        passed=passed,
    )
    found = days.moved(found, today)
    if course is not None:
        course = as_listed(course, found)
    free = free_from(entries, today, passed=passed)
    resting = course is None and free is not None and planned is not None and planned.day < free
    return Standing(
        course=course,
        watch=None
        if course is None
        else watch_of(configuration, store, yard, course, weather, days, now=now),
        due=needed,
        timing=timing(needed, left.treatments, courses=known, today=today, broodless=broodless),
        judged=judged_last(
            known,
            rounds(entries),
            configuration.season,
            plans,
            south=yard.latitude < 0,
            today=today,
        ),
        winter=winter_of(configuration, yard, plans, entries=entries, today=today),
        jobs=tuple(one for one in to_do(found) if not one.planned),
        all_jobs=found,
        strength=_strength(weather, told.main),
        second=weather.second,
        told=told,
        # Standings of many yards are kept at once, and the weather takes most of the room.
        days=days._replace(open_days={}, scenarios=None),
        resting=free if resting else None,
        board=None
        if course is not None
        else board_over(
            entries,
            treated=[(one.start, one.end) for one in known],
            today=today,
            south=yard.latitude < 0,
        ),
        colonies=yard.colonies,
        promised=promised,
        promise=promised_document(promised, free_answer, below),
        decision=configuration.decision,
        shut=_shut(configuration, weather, today),
    )


def _shut(configuration: Configuration, weather: YardWeather, today: date) -> tuple[Hindrance, ...]:
    """As the crews' plan holds it: of a forecast that is fresh and has the day's high."""
    known = weather.open_days.get(today) if weather.fresh else None
    if known is None or known.high_c is None:
        return ()
    return hindrances(known, configuration.work)


def as_listed(course: Course, found: Sequence[Job]) -> Course:
    """What is in, with its visits on the days on which they are listed: it will be in for so long,
    and a fresh dose has its first days then."""
    kinds = {Task.SWAP: Kind.SWAP, Task.REMOVE: Kind.REMOVE}
    ahead = course.ahead()
    left = [
        one
        for one in found
        if one.done is None
        and one.since == course.start
        and one.treatment is not None
        and one.treatment.id == course.treatment.id
    ]
    days = [
        one.on
        for task in dict.fromkeys(visit.task for visit in ahead)
        for one in sorted(left, key=lambda one: one.number)
        if one.kind is kinds.get(task)
    ]
    return course.on(days) if len(days) == len(ahead) else course


def watch_over(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    weather: YardWeather,
    entries: Sequence[Entry],
    *,
    now: datetime,
) -> Watch:
    """The watch over what is in, of which there must be something, with its visits as they are
    listed.

    entries:  the yard's journal
    """
    today = today_at(yard, now)
    course = in_hand(courses(entries), today)
    if course is None:
        raise ValueError(f"{yard.name}: nothing is in to be watched")
    kept = store.promised_plan()
    promised = promised_visits(None if kept is None else kept.yards.get(yard.name))
    days = days_of(configuration, yard, weather)._replace(promised=promised)
    found = jobs(yard, entries=entries, plan=None, rules=configuration.work, today=today)
    course = as_listed(course, days.moved(found, today))
    return watch_of(configuration, store, yard, course, weather, days, now=now)


def watch_of(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    course: Course,
    weather: YardWeather,
    days: Days,
    *,
    now: datetime,
) -> Watch:
    """The watch over a treatment that is in."""
    today = today_at(yard, now)
    decision = configuration.decision
    return watch(
        course,
        today=today,
        forecast=weather.forecast,
        scenarios=weather.scenarios,
        stale=not weather.fresh,
        observed={
            one.day: one.tenths / 10
            for one in store.observed(yard.name, place=site(yard, weather.provider))
            if course.start <= one.day < today
        },
        open_days=weather.open_days,
        work=configuration.work,
        max_danger=decision.max_danger,
        cancel_below=decision.cancel_below,
        workable=partial(days.workable, active=course.treatment.active),
    )


def _strength(weather: YardWeather, main: TreatmentAnswer) -> dict[str, Strength]:
    """How strong the named start's days make it, by regimen that is named on its day."""
    scenarios, named = weather.scenarios, main.named
    if main.treatment.active != vapour.ACTIVE or scenarios is None or named is None:
        return {}
    day, first = named.day, (named.day - scenarios.first_day).days
    lengths = {
        row.start.regimen.id: row.start.regimen.exposure_days
        for row in main.rows
        if row.start.start == day and first + row.start.regimen.exposure_days <= scenarios.days
    }
    if first < 0 or not lengths:
        return {}
    block = scenarios.tenths[
        first * scenarios.count : (first + max(lengths.values())) * scenarios.count
    ]
    if MISSING not in block:
        every = vapour.strengths(block, scenarios.count, set(lengths.values()))
        return {regimen: every[days] for regimen, days in lengths.items()}
    found = {}
    for regimen, days in lengths.items():
        strong = vapour.strength(scenarios.courses(first, days))
        if strong is not None:
            found[regimen] = strong
    return found


def beside(one: Standing, answer: YardAnswer, units: str) -> Beside:
    """What a notice and the terminal say of it besides the windows, in the order it is needed."""
    today, course = answer.today, one.course
    ahead = _ahead(one.jobs)
    soon = [job for job in ahead if (job.on - today).days <= SOON_DAYS]
    visits = visit_lines.next_visit_lines(soon)
    document = _document(one, today)
    actives = tuple(
        dict.fromkeys(
            job.treatment.active for job in soon if job.treatment is not None and job.on <= today
        )
    )
    seconds = second_lines(one.second, {name: SECOND[name][0] for name in SECOND}, units)
    if course is not None and one.watch is not None:
        first = seconds + watch_lines.watch_lines(one.watch, units)
        # When to come back is told of what is in, however far off.
        first += visits or visit_lines.next_visit_lines(ahead)
        first += hive_lines.still_shut(course, today)
        first += course_lines.after_lines(course)
        return Beside(
            heading=course_lines.heading(course, today),
            danger=watch_lines.danger_words(one.watch),
            risk=watch_lines.risk_words(one.watch),
            today=_today(one.jobs, today),
            soon=_soon(one, today),
            first=tuple(first),
            actives=actives
            or ((course.treatment.active,) if one.watch.level is Level.URGENT else ()),
            document=document,
        )
    if one.resting is not None:
        wait = tr("no next start before {day}", day=words.day(one.resting))
        why = tr("the count that says whether the last treatment worked comes first")
        first = seconds + labelled(tr("Wait"), tr("{wait}: {why}", wait=wait, why=why))
        if one.due.state is State.DONE:
            first += due_lines.due_lines(one.due, one.timing, today=today)
        if one.judged is not None:
            first += due_lines.judged_lines(one.judged)
        first += count_lines.board_lines(one.board, one.colonies)
        first += due_lines.winter_lines(one.winter, today)
        first += visits or visit_lines.next_visit_lines(ahead)
        return Beside(
            heading=wait,
            today=_today(one.jobs, today),
            soon=_soon(one, today),
            first=tuple(first),
            actives=actives,
            why=tr("No start is named before the last treatment can be judged."),
            document=document,
        )
    first = promised_lines(
        one.promised,
        answer,
        min_chance=one.decision.min_chance,
        cancel_below=one.decision.cancel_below,
    )
    counting = bool(counts_asked(one.jobs, today))
    first += due_lines.due_lines(one.due, one.timing, today=today, counting=counting)
    if one.judged is not None:
        first += due_lines.judged_lines(one.judged)
    first += count_lines.board_lines(one.board, one.colonies)
    first += due_lines.winter_lines(one.winter, today)
    last = seconds + strength_lines(answer.main, one.strength, units)
    last += visits
    return Beside(
        today=_today(one.jobs, today),
        first=tuple(first),
        last=tuple(last),
        actives=actives,
        others=not one.timing.instead,
        due=one.due.lifted,
        done=one.due.state is State.DONE,
        soon=_soon(one, today),
        choices=len(due_lines.instead_in_short(one.timing.instead)),
        shut=one.shut,
        fixed=one.fixed,
        document=document,
    )


def due_today(found: Sequence[Job], today: date) -> list[Job]:
    """What must be done today at the latest. That the season asks for counts is told otherwise."""
    return [
        job
        for job in found
        if job.on <= today and not job.optional and not job.planned and job.kind is not Kind.COUNT
    ]


def counts_asked(found: Sequence[Job], today: date) -> list[Job]:
    """The counts that the season asks for today."""
    return [job for job in found if job.kind is Kind.COUNT and job.on <= today]


def _soon(one: Standing, today: date) -> bool:
    """Whether a visit, a count or the last day to start is within a week."""
    if any(not job.optional and (job.on - today).days <= SOON_DAYS for job in _ahead(one.jobs)):
        return True
    if one.course is not None or one.resting is not None:
        return False
    if counts_asked(one.jobs, today):
        return True
    by = one.due.by if one.due.state is State.COMING else None
    return by is not None and (by - today).days <= SOON_DAYS


def _ahead(found: Sequence[Job]) -> list[Job]:
    # That the season asks for counts is said with when the yard is due.
    return [job for job in found if job.kind is not Kind.COUNT]


def _today(found: Sequence[Job], today: date) -> str:
    """What is to be done today, for a subject: "take out the strips, 2 days late"."""
    for job in due_today(found, today):
        if job.dose is not None:
            task = words.task_name(Task(job.kind.value))
        elif job.kind is Kind.QUEENS:
            task = tr("look for queens")
        else:
            task = tr("count mites")
        if not job.late_days:
            return tr("{task} today", task=task)
        return trn("{task}, a day late", "{task}, {count} days late", job.late_days, task=task)
    return ""


def _document(one: Standing, today: date) -> dict[str, Any]:
    found = due_lines.due_document(one.due, one.timing, one.winter, one.judged)
    found["in_hand"] = (
        None
        if one.course is None or one.watch is None
        else course_lines.course_document(one.course, today)
        | {"watch": watch_lines.watch_document(one.watch)}
    )
    found["no_start_before"] = None if one.resting is None else one.resting.isoformat()
    found["shut_today"] = [each.value for each in one.shut]
    found["taken"] = taken_document(one.fixed, today)
    found["promised"] = one.promise
    found["board"] = count_lines.board_document(one.board)
    found["visits_ahead"] = [visit_lines.job_document(job) for job in one.jobs]
    found["strength"] = strength_document(one.strength)
    found["second_look"] = second_document(one.second)
    return found
