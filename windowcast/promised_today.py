"""What today says of the stops at one yard that were promised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

from windowcast.answer import YardWeather
from windowcast.crew.days import closed_days
from windowcast.crew.promised import kept_named
from windowcast.edges import config_taken
from windowcast.edges.settings import Configuration
from windowcast.language import marked
from windowcast.notice.crew_today import Key, State, StopToday, visits_of
from windowcast.notice.taken_lines import taken_words
from windowcast.trade.hive import obstacles
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.work import Job, Kind, free_from
from windowcast.trade.workable import rules_for
from windowcast.window.decide import Flaw, Row, Status, YardAnswer

NONE = marked("no forecast is stored")
TOO_OLD = marked("the forecast is too old")
TOO_SHORT = marked("the forecast is too short")


class _Need(NamedTuple):
    """Where a stop belongs: the series of its job, how many of its task are left with it, and the
    start that it is or follows."""

    series: str
    left: int
    treatment: str
    regimen: str


def stops_today(
    configuration: Configuration,
    promised: Mapping[str, Any] | None,
    *,
    answer: YardAnswer,
    weather: YardWeather,
    entries: Sequence[Entry],
    jobs: Sequence[Job],
    passed: bool,
    danger: bool,
    over: bool = False,
) -> dict[Key, StopToday]:
    """What is said of the stops of today and the days after it at the yard that is answered for.

    promised:  what a promised plan has of the yard; None: nothing
    jobs:      of the yard, done ones too
    passed:    as of `work.free_from`
    danger:    what is in the hives is in danger
    over:      nothing is begun today any more
    """
    if promised is None:
        return {}
    yard, today = answer.yard.name, answer.today
    needs = _needs(promised, yard)
    found = {}
    for key, day in visits_of(promised["sheets"], yard):
        if day < today:
            continue
        kind = Kind(key[3])
        need = needs.get(key)
        if need is None:
            continue
        said = _entered(kind, need, entries, jobs, day)
        if said is None and kind is Kind.APPLY:
            free = free_from(entries, today, passed=passed)
            said = _start(configuration, need, day, answer, weather, free)
            if said.state is State.UNNAMED and said.row is None and over and day == today:
                said = said._replace(over=True)
        if said is None or said.state in (State.GOOD, State.BLOCKED):
            said = (
                _taken(configuration, yard, kind, day)
                or _shut(configuration, need, kind, day, weather)
                or said
                or StopToday(State.GOOD)
            )
        if danger and kind is Kind.SWAP and said.state is State.GOOD:
            said = StopToday(State.DANGER)
        found[key] = said
    return found


def _needs(promised: Mapping[str, Any], yard: str) -> dict[Key, _Need]:
    found: dict[Key, _Need] = {}
    for one in promised.get("needs", ()):
        if one["yard"] != yard:
            continue
        series = one["key"].split("\n")[1]
        tasks = [task for task, _, _ in one["stops"]]
        for place, (task, day, crew) in enumerate(one["stops"]):
            left = tasks[place:].count(task)
            found[yard, day, crew, task] = _Need(series, left, one["treatment"], one["regimen"])
    return found


def _entered(
    kind: Kind, need: _Need, entries: Sequence[Entry], jobs: Sequence[Job], day: date
) -> StopToday | None:
    """What the journal says of a stop; None: nothing, it is still to be done."""
    number = int(need.series.rpartition("-")[2])
    if kind is Kind.COUNT:
        counts = [one for one in entries if one.kind == "count" and one.corrects is None]
        if len(counts) >= number:
            return StopToday(State.DONE, day=counts[number - 1].day)
        asked = any(one.kind is kind and one.series == need.series for one in jobs)
        return None if asked else StopToday(State.UNASKED)
    mine = [one for one in jobs if one.series == need.series and not one.planned]
    same = [one for one in mine if one.kind is kind]
    if kind is Kind.APPLY:
        return StopToday(State.DONE, True, same[0].done) if same else None
    if not mine:
        return StopToday(State.NOTHING_IN)
    if kind is Kind.SWAP:
        same.sort(key=lambda one: one.number)
        if any(one.lapsed for one in mine) and need.left <= _never_given(mine, len(same)):
            return StopToday(State.LAPSED)
        same = same[len(same) - need.left :][:1] if len(same) >= need.left else []
    if not same:
        promised = (need.treatment, need.regimen)
        other = any(
            one.treatment is not None
            and one.regimen is not None
            and (one.treatment.id, one.regimen.id) != promised
            for one in mine
        )
        return StopToday(State.OTHER_WAY if other else State.DONE)
    job = same[0]
    if job.done is not None:
        return StopToday(State.DONE, day=job.done)
    first = job.day - timedelta(days=job.slack.earlier)
    return StopToday(State.EARLY, day=first) if day < first else None


def _never_given(mine: Sequence[Job], given: int) -> int:
    """How many fresh doses of a treatment that has lapsed were never given."""
    regimen = next(one.regimen for one in mine if one.lapsed)
    return 0 if regimen is None else len(regimen.doses) - 1 - given


def _start(
    configuration: Configuration,
    need: _Need,
    day: date,
    answer: YardAnswer,
    weather: YardWeather,
    free: date | None,
) -> StopToday:
    """What the forecast and the hives say of a start that is still to come."""
    if free is not None and day < free:
        return StopToday(State.WAITS, True, free)
    one = next((one for one in answer.treatments if one.treatment.id == need.treatment), None)
    if not answer.forecast.sources:
        return StopToday(State.UNKNOWN, True, why=NONE)
    if answer.forecast.stale:
        return StopToday(State.UNKNOWN, True, why=TOO_OLD)
    if one is None:
        return StopToday(State.UNNAMED, True)
    if one.status is Status.UNKNOWN:
        return StopToday(State.UNKNOWN, True, why=TOO_SHORT)
    row = _row(one.rows, need.regimen, day)
    named = None if one.named is None else one.named.day
    if row is not None:
        # That hives stay shut is said of its day in words of its own.
        row = row._replace(flaws=tuple(one for one in row.flaws if one is not Flaw.SHUT))
    below = configuration.decision.cancel_below
    if row is None or not (row.safe or kept_named(row, below)):
        return StopToday(State.UNNAMED, True, row=row, named=named)
    blocked = obstacles(one.treatment, answer.yard.hive, start=day)
    if blocked:
        return StopToday(State.BLOCKED, True, row=row, blocked=blocked)
    return StopToday(State.GOOD, True, row=row)


def _taken(configuration: Configuration, yard: str, kind: Kind, day: date) -> StopToday | None:
    """That something else has taken the day of a visit since; a start's own row says that of it."""
    if kind is Kind.APPLY:
        return None
    rows = (
        one
        for one in config_taken.fixed_of(configuration, yard)
        if one.visits and one.first <= day <= one.last
    )
    return next((StopToday(State.TAKEN, why=taken_words(one)) for one in rows), None)


def _shut(
    configuration: Configuration, need: _Need, kind: Kind, day: date, weather: YardWeather
) -> StopToday | None:
    """That the forecast is too cold, wet or windy to open hives; None: it is not, or not known."""
    known = weather.open_days if weather.fresh else {}
    found = closed_days(known, None, _rules(configuration, need, kind), first=day, days=1)
    return StopToday(State.SHUT, kind is Kind.APPLY, why=found[0]) if found else None


def _rules(configuration: Configuration, need: _Need, kind: Kind) -> WorkRules:
    """What holds for opening hives there."""
    if kind not in (Kind.APPLY, Kind.SWAP):
        return configuration.work
    for one in configuration.treatments:
        for regimen in one.regimens:
            if (one.id, regimen.id) == (need.treatment, need.regimen):
                place = 0 if kind is Kind.APPLY else max(0, len(regimen.doses) - need.left)
                dose_day = regimen.doses[min(place, len(regimen.doses) - 1)].day
                return rules_for(configuration.work, one, regimen, dose_day)
    return configuration.work


def _row(rows: Sequence[Row], regimen: str, day: date) -> Row | None:
    return next((one for one in rows if one.day == day and one.start.regimen.id == regimen), None)
