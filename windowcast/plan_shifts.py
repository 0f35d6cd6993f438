"""Which visits of a plan are not as they were promised, and why; which days have other hours."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from windowcast.crew.instance import Stop
from windowcast.crew.replan import Move, Promise, promised_stops
from windowcast.language import tr
from windowcast.notice import plan_lines, words
from windowcast.notice.plan_days import Frame
from windowcast.notice.plan_lines import Hours, Shift
from windowcast.plan_task import Task
from windowcast.planning import Planned, sheet_views
from windowcast.trade.work import Kind

HOURS_APART = timedelta(hours=1)
"""A yard that is reached by no more than this sooner or later is told of as nothing."""
FROM_A_DOSE = (Kind.QUEENS, Kind.COUNT_AFTER)
"""What is counted from the last dose, or from the end, as that was or is planned."""


def shifts(planned: Planned, move: Move, frame: Frame) -> tuple[Shift, ...]:
    """The visits of a need that are not as they were promised, and why each moves."""
    task = planned.task
    if move.need is None or move.now is None:
        return ()
    stops = task.instance.needs[move.need].options[move.now].stops
    found = []
    before = date.min
    every = zip(stops, move.stops, promised_stops(stops, move.was), strict=True)
    for place, (stop, placed, promised) in enumerate(every):
        if promised is None:
            continue
        kind, was, crew = promised
        now, by = task.first + timedelta(days=placed.day), task.instance.crews[placed.crew].name
        if (now, by) != (was, crew):
            why = _why_shifted(task, move.was, place, stop, was, crew)
            if not why and (was - before).days < stop.after:
                why = tr("the visit before it moves")
            why = why or plan_lines.gained_words(frame, move) or _forced(task, move.need)
            found.append(Shift(kind, was, crew, now, by, why))
        before = now
    return tuple(found)


def _forced(task: Task, need: int) -> str:
    """Why a visit has moved that could be as promised, and had to all the same."""
    if None in task.instance.needs[need].kept:
        return tr("another of its visits has to move")
    return tr("the hours that are left do not do for all that was promised")


def _why_shifted(task: Task, promise: Promise, place: int, stop: Stop, was: date, crew: str) -> str:
    """Why a visit could not be on its day with its crew; "" where it could.

    place:  of the visit among those that are left
    """
    yard = promise.yard
    day = (was - task.first).days
    if day < 0:
        return (
            tr("its day has passed")
            if was < task.today
            else tr("that day comes before the days planned here")
        )
    if day not in stop.days:
        hindered = task.named[yard].calendar.hindered(day, stop.skill)
        if hindered is not None:
            return plan_lines.hindered_words(was, hindered)
    mine = next((one for one in task.instance.crews if one.name == crew), None)
    if mine is None:
        return tr("{crew} is not in crews.toml any more", crew=crew)
    if not mine.can(stop.skill):
        return tr("{crew} may not handle {active}", crew=crew, active=tr(stop.skill))
    if mine.minutes[day] <= 0:
        if day < task.days and task.leaves[task.instance.crews.index(mine)][day].over:
            return tr("{crew}'s hours of {day} are over", crew=crew, day=words.day(was))
        return tr("{crew} does not work on {day}", crew=crew, day=words.day(was))
    if day in stop.days:
        return ""
    values = {
        "day": words.day(was),
        "days": words.span(*(task.first + timedelta(days=one(stop.days)) for one in (min, max))),
    }
    jobs = task.named[yard].jobs.get(promise.key, ())
    job = jobs[place] if place < len(jobs) else None
    if job is None or job.since is None or job.kind not in FROM_A_DOSE:
        return tr("on {day} it can no longer be: its days are {days}", **values)
    return tr(
        "on {day} it can no longer be: counted from {since}, its days are {days}",
        since=words.day(job.since),
        **values,
    )


def other_hours(planned: Planned) -> tuple[Hours, ...]:
    """The crews' days whose yards are reached more than an hour sooner or later than promised; of
    today only where the crew leaves as promised."""
    kept = {(one["crew"], one["date"]): one for one in planned.task.promised_sheets}
    found = []
    for view in sheet_views(planned):
        sheet = kept.get((view.crew, view.day.isoformat()))
        late = view.day == planned.task.today and sheet is not None
        if sheet is None or (late and sheet["leave"] != f"{view.leaves:%H:%M}"):
            continue
        was = {call["yard"]: call["arrive"] for call in reversed(sheet["calls"])}
        now = {call.yard.name: call.arrive for call in reversed(view.calls)}
        both = [yard for yard in reversed(now) if yard in was]
        moved = []
        for yard in both:
            promised = time.fromisoformat(was[yard])
            apart = now[yard] - datetime.combine(view.day, promised)
            if abs(apart) > HOURS_APART:
                moved.append((yard, now[yard].time(), promised))
        if moved:
            order = [yard for yard in reversed(was) if yard in now] != both
            found.append(Hours(view.crew, view.day, order, tuple(moved)))
    return tuple(found)
