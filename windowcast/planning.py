"""The crew's plan: a task to days that can be driven, with all that is said of them.

What was promised stays unless a move gains more than `move_gain`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from windowcast.answer import find_treatments
from windowcast.crew import needs as wanted
from windowcast.crew import replan, settle
from windowcast.crew.board import Board
from windowcast.crew.days import Lost
from windowcast.crew.explain import (
    Missing,
    Off,
    Peers,
    WhyThis,
    board_of,
    peers,
    why_none,
    why_this,
)
from windowcast.crew.instance import (
    Chosen,
    Instance,
    Leg,
    Need,
    Option,
    Placed,
    Plan,
    driving,
    faults,
    measured,
    option_value,
)
from windowcast.crew.judge import Judgement, judge
from windowcast.crew.replan import Move
from windowcast.crew.sheet import Sheet, sheets
from windowcast.errors import WindowcastError
from windowcast.notice.crew_lines import CallView, SheetView, sheets_document
from windowcast.notice.plan_lines import solved_document
from windowcast.plan_task import Task
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.work import AFTER_COUNT_DAYS, Job, Kind, jobs, last_count, served
from windowcast.trade.work import Plan as PlannedStart

SAME_MINUTES = 1e-6
"""Roads that differ by no more are as long."""


class Reason(NamedTuple):
    """Why a need has no place: what it lacks, why each of its days is none, and the other needs
    that one remedy is named for.

    treated:  of a count, the days of the plan on which it would say little: inside the treatment,
              and too soon after it; None: its yard begins none
    """

    need: int
    missing: Missing | None
    off: tuple[Off, ...] = ()
    peers: Peers | None = None
    treated: range | None = None


class Planned(NamedTuple):
    """A plan with all that is said of it.

    shut:  counts whose days are all inside a treatment of their yard, or too soon after it: they
           would say nothing of either, and open hives that are to stay shut
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
    task, counts = _without_counts(task)
    bounded = {need.key for need in task.instance.needs}
    plan = planner.make(task.instance, left_s=lambda: ends - clock())
    task, board, shut = _held(task, board_of(task.instance, plan), counts)
    task, board = _with_what_follows(task, board)
    wrong = faults(task.instance, board.plan())
    if wrong:
        raise WindowcastError(
            f"the plan that was found breaks a rule: {wrong[0]}; nothing was kept, please report it"
        )
    driven = _as_promised(task, board.plan(plan.how))
    settled = measured(task.instance, driven, _most(plan, task.instance, bounded))
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


def _held(task: Task, board: Board, counts: Sequence[Need]) -> tuple[Task, Board, tuple[int, ...]]:
    """A plan with what was promised given back where moving it gains too little, and with the
    counts that are left; the task with these, and the counts left out of it."""
    found = _with_all_counts(task, board, counts)
    kept = replan.promised_board(task.instance)
    if kept is None:
        return found
    as_promised = _with_all_counts(task, kept, counts)
    return found if replan.better(found[1], as_promised[1]) else as_promised


def _with_all_counts(
    task: Task, board: Board, counts: Sequence[Need]
) -> tuple[Task, Board, tuple[int, ...]]:
    replan.hold(board)
    task, board = _after_what_is_in(task, board)
    task, board = _with_counts(task, board, counts)
    shut = _counts_before(task, board)
    # What was moved for counts that are left out can go back.
    replan.hold(board)
    return task, board, tuple(sorted({*shut, *_counts_before(task, board)}))


def _counts_due(task: Task, need: Need) -> date | None:
    """From which day the season asks for a count; None: the need is none of those."""
    if need.starts or need.options[0].stops[0].task != Kind.COUNT.value:
        return None
    return task.named[need.yard].jobs[need.key][0].day


def _serves(task: Task, need: Need, option: Option, due: date, out: int = 0) -> bool:
    """Whether a start leaves no need for a count that the season asks for from a day on.

    out:  the day on which its treatment is out, where that is later than by its regimen
    """
    _, regimen = regimen_of(task, need.yard, option)
    end = max(option.start + regimen.exposure_days, out)
    return served(
        due,
        start=task.first + timedelta(days=option.start),
        end=task.first + timedelta(days=end),
        last=last_count(task.named[need.yard].entries),
    )


def _without_counts(task: Task) -> tuple[Task, tuple[Need, ...]]:
    """The task without the counts that a start of their yard may leave no need for, and those."""
    instance = task.instance
    starts = {need.yard: need for need in instance.needs if need.starts}
    counts = []
    for need in instance.needs:
        due, start = _counts_due(task, need), starts.get(need.yard)
        if due is None or start is None:
            continue
        if any(_serves(task, start, option, due) for option in start.options):
            counts.append(need)
    left = tuple(need for need in instance.needs if need not in counts)
    return task._replace(instance=instance._replace(needs=left)), tuple(counts)


def _with_counts(task: Task, board: Board, counts: Sequence[Need]) -> tuple[Task, Board]:
    """The task with those of these counts that what the plan begins leaves a need for, and the
    board with those that find room."""
    begun = {
        task.instance.needs[number].yard: (task.instance.needs[number], chosen)
        for number, chosen in board.chosen.items()
        if task.instance.needs[number].starts
    }
    left = []
    for need in counts:
        due = _counts_due(task, need)
        if due is not None and need.yard in begun:
            start, chosen = begun[need.yard]
            option = start.options[chosen.option]
            if _serves(task, start, option, due, chosen.stops[-1].day):
                continue
        left.append(need)
    if not left:
        return task, board
    instance = task.instance._replace(needs=(*task.instance.needs, *left))
    board = board_of(instance, board.plan())
    settle.fill(board)
    return task._replace(instance=instance), board


class Treated(NamedTuple):
    """When a count of a yard that begins a treatment says little.

    days:   inside the treatment, or too soon after it
    begun:  who puts it in when
    """

    days: range
    begun: Placed

    def leaves(self, crew: int, day: int) -> bool:
        """Whether a count by a crew on a day says something."""
        # On the day of the start only who starts it can count first; others would come after it.
        other = day == self.begun.day and crew != self.begun.crew
        return not other and day not in self.days


def _treatments(task: Task, board: Board) -> dict[str, Treated]:
    """The treatments that a plan begins, by yard."""
    instance = task.instance
    found = {}
    for need, chosen in board.chosen.items():
        if instance.needs[need].starts:
            option = instance.needs[need].options[chosen.option]
            _, regimen = regimen_of(task, instance.needs[need].yard, option)
            out = max(option.start + regimen.exposure_days, chosen.stops[-1].day)
            days = range(option.start + 1, out + AFTER_COUNT_DAYS)
            found[instance.needs[need].yard] = Treated(days, chosen.stops[0])
    return found


def _counts_before(task: Task, board: Board) -> tuple[int, ...]:
    """Move the counts that fall into a treatment, or come too soon after it to say anything, before
    it, or leave them out: those left out."""
    instance = task.instance
    treatments = _treatments(task, board)
    counts = [
        number
        for number, need in enumerate(instance.needs)
        if not need.starts
        and need.yard in treatments
        and need.options[0].stops[0].task == Kind.COUNT.value
    ]

    def inside(need: int, chosen: Chosen | None) -> bool:
        if chosen is None:
            return False
        placed = chosen.stops[0]
        return not treatments[instance.needs[need].yard].leaves(placed.crew, placed.day)

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
                promised = Placed(day, crew) in one.kept
                ways.append((not promised, minutes, -day, crew))
    if not ways:
        return False
    *_, day, crew = min(ways)
    return board.put(need, Chosen(0, (Placed(-day, crew),)))


COUNTED_FROM = {Kind.COUNT_AFTER: Kind.REMOVE, Kind.QUEENS: Kind.SWAP}
"""The visit that a count or a check is counted from."""


def _after_what_is_in(task: Task, board: Board) -> tuple[Task, Board]:
    """The task and the board with the counts and checks of what is in the hives counted from the
    day on which the plan gives its fresh dose and takes it out; without those that then come after
    the days planned."""
    needs: list[Need | None] = list(task.instance.needs)
    named = dict(task.named)
    late: list[int] = []
    for number, chosen in board.chosen.items():
        doses_of = task.instance.needs[number]
        if not doses_of.begun:
            continue
        one = named[doses_of.yard]
        doses = one.jobs[doses_of.key]
        moved = {
            # What was overdue was counted from today already.
            job.kind: placed.day - (job.day - task.first).days - job.late_days
            for job, placed in zip(doses, chosen.stops, strict=True)
        }
        for other, need in enumerate(task.instance.needs):
            if need.yard != doses_of.yard or need.starts or need.begun:
                continue
            (job,) = one.jobs[need.key]
            by = moved.get(COUNTED_FROM.get(job.kind, Kind.APPLY), 0)
            if by <= 0 or job.series != doses[0].series:
                continue
            step = timedelta(days=by)
            job = job._replace(day=job.day + step, best_by=job.best_by + step, on=job.on + step)
            found = wanted.in_hand(
                job, place=need.place, calendar=one.calendar, rules=task.configuration.work
            )
            if isinstance(found, Lost):
                one = one._replace(skipped=(*one.skipped, (job, found)))
                found = None
            if found is not None:
                one = one._replace(jobs={**one.jobs, need.key: (job,)})
                (found,) = replan.with_promises(
                    [found],
                    task.promises,
                    first=task.first,
                    crews=[crew.name for crew in task.instance.crews],
                )
            needs[other] = found
            late.append(other)
        named[one.yard.name] = one
    if not late:
        return task, board
    for number in late:
        if number in board.chosen:
            board.take(number)
    left = [number for number, need in enumerate(needs) if need is not None]
    place = {number: at for at, number in enumerate(left)}
    plan = board.plan()
    plan = plan._replace(
        chosen={place[number]: chosen for number, chosen in plan.chosen.items()},
        routes={
            key: tuple(leg._replace(need=place[leg.need]) for leg in route)
            for key, route in plan.routes.items()
        },
    )
    instance = task.instance._replace(needs=tuple(one for one in needs if one is not None))
    task = task._replace(
        instance=instance,
        named=named,
        yards=tuple(named[one.yard.name] for one in task.yards),
    )
    board = board_of(instance, plan)
    for number in late:
        if needs[number] is not None:
            fit = board.best(place[number])
            if fit is not None:
                board.put(place[number], fit.chosen)
    return task, board


def _with_what_follows(task: Task, board: Board) -> tuple[Task, Board]:
    """The task with the counts and checks that follow what the plan begins, and the board with
    those that find room.

    They come last: a start is never left out for want of a day for the count after it.
    """
    follow: list[Need] = []
    named = dict(task.named)
    for number, chosen in sorted(board.chosen.items()):
        if not task.instance.needs[number].starts:
            continue
        one = named[task.instance.needs[number].yard]
        place = task.instance.needs[number].place
        for job in _following(task, number, chosen):
            need = wanted.in_hand(
                job, place=place, calendar=one.calendar, rules=task.configuration.work
            )
            if isinstance(need, Lost):
                one = one._replace(skipped=(*one.skipped, (job, need)))
            elif need is not None:
                follow.append(need)
                one = one._replace(jobs={**one.jobs, need.key: (job,)})
        named[one.yard.name] = one
    follow = list(
        replan.with_promises(
            follow,
            task.promises,
            first=task.first,
            crews=[crew.name for crew in task.instance.crews],
        )
    )
    before = len(task.instance.needs)
    instance = task.instance._replace(needs=(*task.instance.needs, *follow))
    task = task._replace(
        instance=instance,
        named=named,
        yards=tuple(named[one.yard.name] for one in task.yards),
    )
    board = board_of(instance, board.plan())
    for number, need in enumerate(instance.needs[before:], start=before):
        kept = [one for one in need.kept if one is not None]
        if need.promised is not None and len(kept) == len(need.kept):
            board.put(number, Chosen(need.promised, tuple(kept)))
    # Twice: what went in first did not know where the others go.
    for _ in range(2):
        for number in range(before, len(instance.needs)):
            if number in board.chosen:
                board.take(number)
            found = board.best(number)
            if found is not None:
                board.put(number, found.chosen)
    return task, board


def _following(task: Task, need: int, chosen: Chosen) -> list[Job]:
    """The counts and checks that follow a start, moved with the doses and the removal that they
    are counted from."""
    one = task.instance.needs[need]
    option = one.options[chosen.option]
    _, regimen = regimen_of(task, one.yard, option)
    start = task.first + timedelta(days=option.start)
    days = {stop.task: placed.day for stop, placed in zip(option.stops, chosen.stops, strict=True)}
    end = start + timedelta(days=regimen.exposure_days)
    dosed = start + timedelta(days=regimen.doses[-1].day)
    removed = days.get(Kind.REMOVE.value)
    last = days.get(Kind.SWAP.value)
    late = {
        Kind.COUNT_AFTER: 0
        if removed is None
        else (task.first + timedelta(days=removed) - end).days,
        Kind.QUEENS: 0 if last is None else (task.first + timedelta(days=last) - dosed).days,
    }
    found = []
    for job in _begun(task, one, option):
        if job.dose is None and job.kind is not Kind.COUNT:
            by = timedelta(days=late.get(job.kind, 0))
            moved = job._replace(day=job.day + by, best_by=job.best_by + by, on=job.on + by)
            found.append(moved)
    return found


def _most(plan: Plan, instance: Instance, bounded: Collection[str]) -> float | None:
    """What no plan is worth more than, with what follows the starts that are chosen: each adds what
    it is worth less the least time at the hives.

    bounded:  keys of the needs that the plan was bounded with; the others follow
    """
    if plan.bound is None:
        return None
    people = max(crew.people for crew in instance.crews)
    most = plan.bound
    for number, need in enumerate(instance.needs):
        if need.key in bounded:
            continue
        kept = instance.keep / 2 if need.kept else 0.0
        least = instance.hour / 60 * need.options[0].stops[0].minutes(people)
        most += max(0.0, option_value(instance, number, 0) + kept - least)
    return most


def finish(task: Task, plan: Plan, shut: tuple[int, ...] = ()) -> Planned:
    """A plan with all that is said of it."""
    instance = task.instance
    board = board_of(instance, plan)
    reasons, useless = _reasons(task, board)
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
        unplaced=reasons,
        shut=useless,
        # A count that its yard's treatment leaves no day for is told of as that.
        moves=tuple(
            move
            for move in replan.moves(
                board, task.promises, first=task.first, today=task.today, begun=task.begun
            )
            if move.need not in shut
        ),
    )


def _reasons(task: Task, board: Board) -> tuple[tuple[Reason, ...], tuple[int, ...]]:
    """Why each need without a place has none; and the counts that have no day on which they would
    say anything."""
    instance = task.instance
    treatments = _treatments(task, board)
    waiting = [number for number in range(len(instance.needs)) if number not in board.chosen]
    treated: dict[int, Treated] = {}
    useless: list[int] = []
    needs = list(instance.needs)
    for number in waiting:
        need = needs[number]
        stop = need.options[0].stops[0]
        if need.starts or stop.task != Kind.COUNT.value or need.yard not in treatments:
            continue
        one = treated[number] = treatments[need.yard]
        crews = range(len(instance.crews))
        days = tuple(day for day in stop.days if any(one.leaves(crew, day) for crew in crews))
        if not days:
            useless.append(number)
        cut = need.options[0]._replace(stops=(stop._replace(days=days),))
        needs[number] = need._replace(options=(cut,))
    if treated:
        board = board_of(instance._replace(needs=tuple(needs)), board.plan())
    allowed = {number: one.leaves for number, one in treated.items()}
    found = [
        Reason(
            number,
            *why_none(board, number, allowed.get(number)),
            treated=treated[number].days if number in treated else None,
        )
        for number in waiting
        if number not in useless
    ]
    lacks = {one.need: one.missing for one in found if one.missing is not None}
    shared = peers(board, lacks, allowed)
    return tuple(one._replace(peers=shared.get(one.need)) for one in found), tuple(useless)


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
        return _moved_with(task, plan, leg, job)._replace(on=on)
    option = need.options[plan.chosen[leg.need].option]
    dosed = [job for job in _begun(task, need, option) if job.dose is not None]
    return _moved_with(task, plan, leg, dosed[leg.stop])._replace(on=on)


def _moved_with(task: Task, plan: Plan, leg: Leg, job: Job) -> Job:
    """A visit with its right day and its last by the day on which the dose before is given."""
    chosen = plan.chosen[leg.need]
    stop = task.instance.needs[leg.need].options[chosen.option].stops[leg.stop]
    if not leg.stop or stop.follows is None:
        return job
    right = task.first + timedelta(days=chosen.stops[leg.stop - 1].day + stop.follows)
    by = right - job.day
    return job._replace(day=right, best_by=job.best_by + by)


def _begun(task: Task, need: Need, option: Option) -> list[Job]:
    """All that a start brings with it, as `trade.work` has it, by day."""
    treatment, regimen = regimen_of(task, need.yard, option)
    every = jobs(
        task.named[need.yard].yard,
        entries=(),
        plan=PlannedStart(
            task.first + timedelta(days=option.start), treatment, regimen, option.chance
        ),
        rules=task.configuration.work,
        today=task.today,
    )
    series = need.key.split("\n")[1]
    return [job._replace(series=series) for job in every]


def regimen_of(task: Task, yard: str, option: Option) -> tuple[Treatment, Regimen]:
    """What an option gives, as it is given in the hives of its yard."""
    place = task.named[yard].yard
    (treatment,) = find_treatments(task.configuration, place, option.treatment)
    return treatment, next(one for one in treatment.regimens if one.id == option.regimen)


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
                waits_from=crew.begins if task.leaves[sheet.crew][sheet.day].waits else None,
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
