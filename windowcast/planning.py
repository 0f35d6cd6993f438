"""The crew's plan: a task to days that can be driven, with all that is said of them.

What was promised stays unless a move gains more than `move_gain`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from windowcast.crew import replan, settle
from windowcast.crew.board import Board
from windowcast.crew.explain import Missing, WhyThis, board_of, why_none, why_this
from windowcast.crew.instance import (
    Chosen,
    Leg,
    Placed,
    Plan,
    driving,
    faults,
    measured,
)
from windowcast.crew.judge import Judgement, judge
from windowcast.crew.replan import Move
from windowcast.crew.sheet import Sheet, sheets
from windowcast.edges.settings import Configuration
from windowcast.errors import WindowcastError
from windowcast.notice.crew_lines import CallView, SheetView, sheets_document
from windowcast.notice.plan_lines import solved_document
from windowcast.plan_task import Task
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.work import AFTER_COUNT_DAYS, Job, Kind, jobs
from windowcast.trade.work import Plan as PlannedStart

SAME_MINUTES = 1e-6
"""Roads that differ by no more are as long."""


class Reason(NamedTuple):
    """Why a need has no place: what it lacks."""

    need: int
    missing: Missing | None


class Planned(NamedTuple):
    """A plan with all that is said of it.

    shut:  counts that would fall into a treatment of their yard, and are left out: they would say
           nothing of either, and open hives that are to stay shut
    """

    task: Task
    plan: Plan
    sheets: tuple[Sheet, ...]
    judgement: Judgement
    why: Mapping[int, WhyThis]
    unplaced: tuple[Reason, ...]
    moves: tuple[Move, ...]
    shut: tuple[int, ...] = ()

    def job(self, leg: Leg, day: int) -> Job:
        """What is done at a stop, on the day of the plan."""
        return job_of(self.task, self.plan, leg, day)


def make(task: Task, *, clock: Callable[[], float]) -> Planned:
    """The best plan that is found in the time that the settings give.

    clock:  seconds that only grow
    """
    from windowcast.crew import planner

    began = clock()
    ends = began + task.settings.seconds
    plan = planner.make(task.instance, left_s=lambda: ends - clock())
    board = board_of(task.instance, plan)
    replan.hold(board)
    shut = _counts_before(task, board)
    wrong = faults(task.instance, board.plan())
    if wrong:
        raise WindowcastError(
            f"the plan that was found breaks a rule: {wrong[0]}; nothing was kept, please report it"
        )
    driven = _as_promised(task, board.plan(plan.how))
    settled = measured(task.instance, driven, plan.bound)
    settled = settled._replace(choice=plan.choice, seconds=clock() - began)
    return finish(task, settled, shut)


def _as_promised(task: Task, plan: Plan) -> Plan:
    """The yards of each day in the order that was promised, where that is no longer on the road:
    most days are as short the other way round."""
    instance = task.instance
    kept = {
        (one["crew"], one["date"]): [call["yard"] for call in one["calls"]]
        for one in task.promised_sheets
    }
    routes = dict(plan.routes)
    for (crew, day), route in plan.routes.items():
        on = (task.first + timedelta(days=day)).isoformat()
        order = kept.get((instance.crews[crew].name, on), [])
        if not {instance.needs[leg.need].yard for leg in route} <= set(order):
            continue
        again = tuple(sorted(route, key=lambda leg: order.index(instance.needs[leg.need].yard)))
        if driving(instance, crew, again) <= driving(instance, crew, route) + SAME_MINUTES:
            routes[crew, day] = again
    return plan._replace(routes=routes)


def _counts_before(task: Task, board: Board) -> tuple[int, ...]:
    """Move the counts that fall into a treatment, or come too soon after it to say anything, before
    it, or leave them out: those left out."""
    instance = task.instance
    treated: dict[str, range] = {}
    begun_by: dict[str, Placed] = {}
    for need, chosen in board.chosen.items():
        if instance.needs[need].starts:
            option = instance.needs[need].options[chosen.option]
            _, regimen = regimen_of(task.configuration, option.treatment, option.regimen)
            out = max(option.start + regimen.exposure_days, chosen.stops[-1].day)
            days = range(option.start + 1, out + AFTER_COUNT_DAYS)
            treated[instance.needs[need].yard] = days
            begun_by[instance.needs[need].yard] = chosen.stops[0]
    counts = [
        number
        for number, need in enumerate(instance.needs)
        if not need.starts
        and need.yard in treated
        and need.options[0].stops[0].task == Kind.COUNT.value
    ]

    def inside(need: int, chosen: Chosen | None) -> bool:
        if chosen is None:
            return False
        yard, placed = instance.needs[need].yard, chosen.stops[0]
        # On the day of the start only who starts it can count first; others would come after it.
        other = placed.day == begun_by[yard].day and placed.crew != begun_by[yard].crew
        return other or placed.day in treated[yard]

    shut: set[int] = set()
    while True:
        found = [need for need in counts if inside(need, board.chosen.get(need))]
        for need in found:
            board.take(need)
        shut |= {need for need in found if not _before_the_start(task, board, need)}
        if not found:
            break
        # What that leaves free others can use; each round leaves fewer, so that it ends.
        settle.fill(board, but=shut)
    for need in counts:
        if need not in board.chosen:
            fit = board.best(need)
            if inside(need, None if fit is None else fit.chosen):
                shut.add(need)
    return tuple(sorted(shut))


def _before_the_start(task: Task, board: Board, need: int) -> bool:
    """Put a count before the start of its yard, or on its day by the crew that starts it, where a
    crew has the minutes."""
    instance = task.instance
    one = instance.needs[need]
    started, starter = min(
        chosen.stops[0]
        for number, chosen in board.chosen.items()
        if instance.needs[number].starts and instance.needs[number].yard == one.yard
    )
    stop = one.options[0].stops[0]
    ways = []
    for day in stop.days:
        for crew, each in enumerate(instance.crews):
            minutes = stop.minutes(each.people) + board.more(crew, day, one.place)
            before = day < started or (day == started and crew == starter)
            if before and each.can(stop.skill) and minutes <= board.left(crew, day):
                ways.append((minutes, -day, crew))
    if not ways:
        return False
    _, day, crew = min(ways)
    return board.put(need, Chosen(0, (Placed(-day, crew),)))


def finish(task: Task, plan: Plan, shut: tuple[int, ...] = ()) -> Planned:
    """A plan with all that is said of it."""
    instance = task.instance
    board = board_of(instance, plan)
    return Planned(
        task=task,
        plan=plan,
        sheets=sheets(instance, plan),
        judgement=judge(instance, plan.chosen),
        why={
            need: why_this(board, need)
            for need in sorted(plan.chosen)
            if instance.needs[need].starts
        },
        unplaced=tuple(
            Reason(number, why_none(board, number))
            for number in range(len(instance.needs))
            if number not in plan.chosen and number not in shut
        ),
        shut=shut,
        # A count that its yard's treatment leaves no day for is told of as that.
        moves=tuple(
            move
            for move in replan.moves(
                board, task.promises, first=task.first, today=task.today, begun=task.begun
            )
            if move.need not in shut
        ),
    )


def job_of(task: Task, plan: Plan, leg: Leg, day: int) -> Job:
    """What is done at one stop, as `trade.work` has it, on the day of the plan."""
    need = task.instance.needs[leg.need]
    one = task.named[need.yard]
    on = task.first + timedelta(days=day)
    if need.key in one.jobs:
        job = one.jobs[need.key][leg.stop]
        if job.kind is Kind.COUNT and on < job.day:
            # Before a treatment it is right sooner than the season asks for it.
            return job._replace(on=on, day=on)
        return job._replace(on=on)
    option = need.options[plan.chosen[leg.need].option]
    treatment, regimen = regimen_of(task.configuration, option.treatment, option.regimen)
    every = jobs(
        one.yard,
        entries=(),
        plan=PlannedStart(
            task.first + timedelta(days=option.start), treatment, regimen, option.chance
        ),
        rules=task.configuration.work,
        today=task.today,
    )
    dosed = [job for job in every if job.dose is not None and job.kind is not Kind.COUNT]
    series = need.key.split("\n")[1]
    return dosed[leg.stop]._replace(on=on, series=series)


def regimen_of(
    configuration: Configuration, treatment_id: str, regimen_id: str
) -> tuple[Treatment, Regimen]:
    treatment = next(one for one in configuration.treatments if one.id == treatment_id)
    return treatment, next(one for one in treatment.regimens if one.id == regimen_id)


def promise_document(planned: Planned) -> dict[str, Any]:
    """What is kept of a plan that is promised: each need's start and stops, with the crews' names.

    {"schema": 1, "first": day, "days": whole, "needs": [{"key", "yard", "treatment", "regimen",
    "start": day, "stops": [[task, day, crew], ...]}], "solved" and "sheets": as `plan --json` has
    them}
    """
    task, plan = planned.task, planned.plan
    return {
        "schema": 1,
        "first": task.first.isoformat(),
        "days": task.days,
        "needs": [
            {
                "key": task.instance.needs[need].key,
                "yard": task.instance.needs[need].yard,
                "treatment": option.treatment,
                "regimen": option.regimen,
                "start": _iso(task, option.start),
                "stops": [
                    [stop.task, _iso(task, placed.day), task.instance.crews[placed.crew].name]
                    for stop, placed in zip(option.stops, chosen.stops, strict=True)
                ],
            }
            for need, chosen in sorted(plan.chosen.items())
            for option in [task.instance.needs[need].options[chosen.option]]
        ],
        "solved": solved_document(plan, limit_s=task.settings.seconds),
        "sheets": sheets_document(sheet_views(planned)),
    }


def _iso(task: Task, day: int) -> str:
    return (task.first + timedelta(days=day)).isoformat()


def sheet_views(planned: Planned) -> tuple[SheetView, ...]:
    """Every crew's days as people read them."""
    task = planned.task
    instance = task.instance
    found = []
    for sheet in planned.sheets:
        crew = instance.crews[sheet.crew]
        leaves = task.begins(sheet.crew, sheet.day)
        calls = []
        for call in sheet.calls:
            yard = task.named[instance.needs[call.legs[0].need].yard].yard
            calls.append(
                CallView(
                    yard=yard,
                    arrive=_clock(leaves, call.arrive),
                    leave=_clock(leaves, call.leave),
                    drive_minutes=call.drive,
                    jobs=tuple(planned.job(leg, sheet.day) for leg in call.legs),
                )
            )
        rest = None if sheet.rest is None else _clock(leaves, sheet.rest)
        found.append(
            SheetView(
                crew=crew.name,
                people=crew.people,
                day=task.first + timedelta(days=sheet.day),
                leaves=leaves,
                calls=tuple(calls),
                rest=rest,
                break_minutes=sheet.break_minutes,
                back=_clock(leaves, sheet.back),
                driving=sheet.driving,
                working=sheet.working,
            )
        )
    return tuple(found)


def _clock(leaves: datetime, minutes: float) -> datetime:
    """The local time so many minutes after a crew has left, to the minute."""
    return leaves + timedelta(minutes=round(minutes))
