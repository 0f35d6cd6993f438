"""When a yard is due, and what else there is, in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from windowcast.language import tr, trn
from windowcast.notice import count_lines, words
from windowcast.notice.plain import labelled
from windowcast.trade.choice import Judged, Verdict
from windowcast.trade.due import Cause, Due, State
from windowcast.trade.hive import Obstacle
from windowcast.trade.winter import AGAIN_DAYS, Broodless, Winter
from windowcast.window.choice import Option
from windowcast.window.plan import Timing

MOST_OPTIONS = 4


def due_lines(due: Due, timing: Timing, *, today: date, counting: bool = False) -> list[str]:
    """What a person needs of it; no line where nothing is due.

    counting:  the season's count is listed for today
    """
    if due.state is State.QUIET:
        return _count(due, today) if counting else []
    if due.state is State.DONE:
        return _done(due)
    lines = labelled(tr("Due"), f"{_by(due, timing, today)}; {_so(timing, due)}")
    if due.last is not None:
        values = {
            "day": words.day(due.last.day),
            "round": count_lines.round_words(due.last),
        }
        text = tr("{day}: {round}", **values)
        early = None if due.passing is None else due.passing.early
        if due.cause is Cause.SEASON and due.by and early and today < early < due.by:
            text = tr(
                "{day}: {round}; the threshold may be reached from {early} on",
                early=words.day(early),
                **values,
            )
        lines += labelled(tr("Counted"), text)
    lines += _queens(timing)
    lines += _same_active(timing)
    if counting:
        lines += _count(due, today)
    return lines + option_lines(timing.instead)


def _count(due: Due, today: date) -> list[str]:
    """Why to count today."""
    if due.lifted or (due.counts_due is not None and due.counts_due > today):
        # It is listed ahead of its day because a start of today would come before it.
        text = tr("some colonies now: before the treatment, or nobody can tell what it did")
    elif due.state is State.QUIET:
        text = tr("some colonies now: only counts say when a treatment is due")
    else:
        text = tr("some colonies now: counts say whether it must be sooner")
    return labelled(tr("Count"), text)


def _by(due: Due, timing: Timing, today: date) -> str:
    """Until when, and why then."""
    if due.state is State.NOW:
        text = tr("now: the threshold of this month is reached")
        if not due.counted_over and due.passing is not None and due.passing.day is not None:
            text = tr(
                "now: by its growth at the threshold since {day}, though not counted since",
                day=words.day(due.passing.day),
            )
        if due.end_by is not None and due.end_by <= today:
            return f"{text}; {tr('winter bees are being raised already')}"
        return text
    assert due.by is not None  # COMING and OVERDUE have a day
    if due.state is State.OVERDUE:
        text = tr("overdue: the last day to start was {day}", day=words.day(due.by))
        if due.end_by is not None:
            raised = tr("winter bees are raised from {day} on", day=words.day(due.end_by))
            return f"{text}; {raised}"
        return text
    if due.cause is Cause.SEASON and due.end_by is not None:
        return tr(
            "start by {last}, to be over by {end}, when winter bees begin to be raised",
            last=words.day(start_by(due, timing) or due.by),
            end=words.day(due.end_by),
        )
    if due.early is not None and today < due.early < due.by:
        return tr(
            "start by {day}, perhaps from {early} on: then the counts expect the threshold passed",
            day=words.day(due.by),
            early=words.day(due.early),
        )
    return tr("start by {day}: then the counts expect the threshold passed", day=words.day(due.by))


def start_by(due: Due, timing: Timing) -> date | None:
    """The last day to start that people are told: by the season that of the regimen which is named.

    `due.by` is that of the shortest exposure, and holds where the run goes on in another regimen.
    """
    run = timing.span
    if due.cause is Cause.SEASON and run is not None:
        for one in timing.starts_by:
            if (
                one.season is not None
                and (one.treatment, one.regimen) == (timing.main, run.regimen)
                and run.last <= one.season
            ):
                return one.season
    return due.by


def _so(timing: Timing, due: Due) -> str:
    """What to do about it."""
    run = timing.span or timing.late
    if run is not None:
        days = words.span(run.first, run.last)
        if run is timing.late:
            return tr("no start in time is named; the first after it is {days}", days=days)
        if due.lifted:
            return tr("start as soon as you can, {days}", days=days)
        return tr("so start {days}", days=days)
    if timing.looked_until is None:
        return tr("no start day can be judged now")
    last = words.day(timing.looked_until)
    if timing.unseen:
        return tr(
            "no start is named up to {day}, and what comes after cannot be judged yet", day=last
        )
    return tr("no start is named up to {day}, the last day that can be judged", day=last)


def _same_active(timing: Timing) -> list[str]:
    """A start is not held up to somebody who had that active last without saying so."""
    again = any(one.treatment == timing.main and one.same_active for one in timing.options)
    if not again or (timing.span is None and timing.late is None):
        return []
    return labelled(
        tr("Active"),
        tr(
            "{active} was the last treatment too: mites that outlived it are left; change the"
            " active where you can, and count after it",
            active=words.active(timing.main),
        ),
    )


def _queens(timing: Timing) -> list[str]:
    """A warning where a queen that is lost to the treatment can no longer be made up for."""
    run = timing.span or timing.late
    if run is None:
        return []
    for one in timing.starts_by:
        if (
            one.treatment == timing.main
            and one.regimen.id == run.regimen.id
            and one.requeen is not None
            and run.first > one.requeen
        ):
            return labelled(
                tr("Queens"),
                tr(
                    "a colony that loses its queen to a start after {day} has no time left to"
                    " raise another: have some at hand",
                    day=words.day(one.requeen),
                ),
            )
    return []


def _done(due: Due) -> list[str]:
    if not due.late or due.end_by is None:
        return []
    return labelled(
        tr("Late"),
        tr(
            "the treatment ends after {day}, when winter bees are being raised: count early next"
            " year",
            day=words.day(due.end_by),
        ),
    )


def option_lines(others: Sequence[Option]) -> list[str]:
    """What else there is: its conditions, what it costs and what it can do.

    others:  the yard's treatments but the one that has no start
    """
    lines: list[str] = []
    shown = _startable(others)
    for one in shown:
        lines += labelled("" if lines else tr("Instead"), f"- {option_words(one)}")
    if others and not shown:
        lines += labelled(
            tr("Instead"), tr("no other treatment of this yard has its weather either")
        )
    return lines


def instead_in_short(others: Sequence[Option]) -> tuple[str, ...]:
    """The same in a line each, by what can be started and when; nothing where none can."""
    found = []
    for one in _startable(others):
        assert one.row is not None  # it can be started
        values = {
            "treatment": words.treatment_plural(one.treatment),
            "day": words.day(one.row.day),
        }
        found.append(
            tr("Instead: {treatment} from {day}", **values)
            if one.in_time
            else tr("Instead: {treatment} from {day}, which is late", **values)
        )
    return tuple(found)


def _startable(others: Sequence[Option]) -> list[Option]:
    return [one for one in others if one.row is not None][:MOST_OPTIONS]


def option_words(one: Option) -> str:
    """ "amitraz plastic strips from Thu Aug 20: supers off first, 2 visits, …"."""
    treatment = one.treatment
    parts = _conditions(one)
    parts.append(trn("{count} visit", "{count} visits", one.visits))
    if treatment.supers_after_days:
        parts.append(
            trn(
                "supers on {count} day after removal",
                "supers on {count} days after removal",
                treatment.supers_after_days,
            )
        )
    if treatment.honey_days:
        parts.append(
            trn(
                "no honey for {count} day after removal",
                "no honey for {count} days after removal",
                treatment.honey_days,
            )
        )
    parts.append(
        tr("kills under the cappings")
        if treatment.kills_under_cappings
        else tr("does not reach mites under the cappings")
    )
    if one.efficacy_percent is not None:
        parts.append(_efficacy(one, one.efficacy_percent))
    if one.same_active:
        parts.append(tr("the same active as last time: mites that outlived it are left"))
    values = {
        "treatment": words.treatment_plural(treatment),
        "features": words.in_a_row(parts),
    }
    if one.row is None:
        return tr("{treatment}: {features}", **values)
    day = words.day(one.row.day)
    if one.in_time:
        return tr("{treatment} from {day}: {features}", day=day, **values)
    return tr("{treatment} from {day}, which is late: {features}", day=day, **values)


def options_in_short(others: Sequence[Option]) -> str:
    """The same treatments in a row, by when and on what conditions: "thymol gel from Thu Aug 20
    (supers off first)"; "" where none can be started."""
    found = []
    for one in _startable(others):
        assert one.row is not None  # it can be started
        values = {
            "treatment": words.treatment_plural(one.treatment),
            "day": words.day(one.row.day),
        }
        text = (
            tr("{treatment} from {day}", **values)
            if one.in_time
            else tr("{treatment} from {day}, which is late", **values)
        )
        conditions = _conditions(one)
        found.append(f"{text} ({', '.join(conditions)})" if conditions else text)
    return "; ".join(found)


def _conditions(one: Option) -> list[str]:
    """What must be done or left at the hives for it."""
    parts = []
    if Obstacle.SUPERS in one.needs:
        parts.append(
            tr("supers off first") if one.treatment.max_supers == 0 else tr("fewer supers first")
        )
    elif one.treatment.max_supers == 0:
        parts.append(tr("supers stay off"))
    if Obstacle.LOOK in one.needs:
        parts.append(tr("look for brood again first"))
    if one.with_brood:
        # The days are `winter.CAGED_DAYS`, and one to spare.
        parts.append(
            tr(
                "needs a brood break (queen caged 24 to 25 days, so no start before {day})",
                day=words.day(one.ready),
            )
        )
    return parts


def _efficacy(one: Option, shares: tuple[float, float]) -> str:
    """ "93 to 98 % killed in trials (0 to 60 % with brood)"."""
    low, high = (words.general(share) for share in shares)
    if not one.with_brood or one.efficacy_as_it_stands is None:
        return tr("{low} to {high} % killed in trials", low=low, high=high)
    brood_low, brood_high = (words.general(share) for share in one.efficacy_as_it_stands)
    return tr(
        "{low} to {high} % killed in trials ({brood_low} to {brood_high} % with brood)",
        low=low,
        high=high,
        brood_low=brood_low,
        brood_high=brood_high,
    )


def judged_lines(found: Judged) -> list[str]:
    """What the count after a treatment says; no line where there is nothing to do or to learn.

    That a count is wanted is told with the visits.
    """
    what = words.treatment_plural(found.course.treatment)
    if found.after is None or found.limit is None or found.verdict is Verdict.ENOUGH:
        lines = []
        if found.weak and found.efficacy is not None:
            lines = labelled(tr("Weak"), _weak(found, what))
        return lines
    if found.verdict is not Verdict.AGAIN:
        return []
    values = {
        "percent": count_lines.figure(found.after.percent),
        "day": words.day(found.after.day),
        "limit": count_lines.figure(found.limit),
    }
    if found.others:
        names = dict.fromkeys(words.treatment_plural(one) for one in found.others)
        text = tr(
            "{percent} on {day} is still not below the {limit} of that month: treat again, with"
            " another active: {treatments}",
            treatments=words.in_a_row(list(names)),
            **values,
        )
    else:
        text = tr(
            "{percent} on {day} is still not below the {limit} of that month: treat again, with"
            " another active than those of this yard: the same would leave the same mites",
            **values,
        )
    lines = labelled(tr("Again"), text)
    if found.weak:
        lines += labelled(tr("Weak"), _weak(found, what))
    return lines


def _weak(found: Judged, what: str) -> str:
    least = found.course.treatment.efficacy_percent
    assert found.efficacy is not None and least is not None
    killed = max(found.efficacy, 0.0)
    return tr(
        "the {treatment} killed about {percent} of the mites, less than the {least} of the poorest"
        " trial: see how they were given, and whether mites resist",
        treatment=what,
        percent=words.per_cent(f"{killed:.0f}"),
        least=words.per_cent(words.general(least[0])),
    )


def winter_lines(found: Winter, today: date) -> list[str]:
    """The winter round; no line where it is not the time."""
    if found.state is Broodless.LOOK:
        return labelled(
            tr("Winter"),
            tr(
                "look into some colonies for brood: oxalic acid works where none is capped, and"
                " the date alone does not tell (windowcast found)"
            ),
        )
    if found.state is Broodless.SEEN and found.eggs and found.seen is not None:
        return labelled(
            tr("Winter"),
            tr(
                "eggs or larvae and nothing capped on {day}: the conditions for oxalic acid are"
                " met on that day only, for larvae may be capped the day after",
                day=words.day(found.seen),
            ),
        )
    if found.state is Broodless.SEEN and found.seen is not None and found.until is not None:
        return labelled(
            tr("Winter"),
            tr(
                "no capped brood on {day}: the conditions for oxalic acid are met until {last};"
                " then look again",
                day=words.day(found.seen),
                last=words.day(found.until),
            ),
        )
    if found.state is Broodless.OLD and found.eggs and found.seen is not None:
        return labelled(
            tr("Winter"),
            tr(
                "eggs or larvae on {day}, which may be capped by now: look again before you give"
                " oxalic acid",
                day=words.day(found.seen),
            ),
        )
    if found.state is Broodless.OLD and found.seen is not None:
        return labelled(
            tr("Winter"),
            tr(
                "no capped brood on {day}, too long ago: look again before you give oxalic acid",
                day=words.day(found.seen),
            ),
        )
    if found.state is Broodless.BROOD and found.again is not None and found.seen is not None:
        return labelled(
            tr("Winter"),
            trn(
                "capped brood on {day}: look again from {again} ({count} day from the last egg)",
                "capped brood on {day}: look again from {again} ({count} days from the last egg)",
                AGAIN_DAYS,
                day=words.day(found.seen),
                again=words.day(found.again),
            ),
        )
    return []


def due_document(
    due: Due, timing: Timing, found: Winter, after: Judged | None = None
) -> dict[str, Any]:
    """All of it as plain values; days as dates, shares in per cent."""
    return {
        "due": {
            "state": due.state.name.lower(),
            "start_by": _iso(start_by(due, timing)),
            "cause": None if due.cause is None else due.cause.name.lower(),
            "early": _iso(due.early),
            "end_by": _iso(due.end_by),
            "requeen_by": _iso(due.requeen_by),
            "counts_due": _iso(due.counts_due),
            "treated_on": None if due.treated is None else due.treated.start.isoformat(),
            "treated_late": due.late,
            "treatment": timing.main.id,
            "start_from": None if timing.span is None else timing.span.first.isoformat(),
            "start_to": None if timing.span is None else timing.span.last.isoformat(),
            "late_from": None if timing.late is None else timing.late.first.isoformat(),
            "late_to": None if timing.late is None else timing.late.last.isoformat(),
            "judged_until": _iso(timing.looked_until),
            "last_starts": [
                {
                    "treatment": one.treatment.id,
                    "regimen": one.regimen.id,
                    "season": _iso(one.season),
                    "counts": _iso(one.counts),
                    "requeen": _iso(one.requeen),
                }
                for one in timing.starts_by
            ],
            "last_round": None if due.last is None else count_lines.round_document(due.last),
            "growth": None
            if due.passing is None or due.growth is None
            else count_lines.growth_document((due.passing, due.growth)),
        },
        "options": [
            {
                "treatment": one.treatment.id,
                "status": one.status.value,
                "start": None if one.row is None else one.row.day.isoformat(),
                "in_time": one.in_time,
                "needs": [need.name.lower() for need in one.needs],
                "ready": one.ready.isoformat(),
                "visits": one.visits,
                "supers_off": one.treatment.max_supers == 0,
                "honey_days": one.treatment.honey_days,
                "supers_after_days": one.treatment.supers_after_days,
                "kills_under_cappings": one.treatment.kills_under_cappings,
                "efficacy_percent": _pair(one.treatment.efficacy_percent),
                "efficacy_with_brood_percent": _pair(one.treatment.efficacy_with_brood_percent),
                "same_active": one.same_active,
            }
            for one in timing.options
        ],
        "winter": {
            "state": found.state.name.lower(),
            "look_from": _iso(found.look_from),
            "seen": _iso(found.seen),
            "again": _iso(found.again),
        },
        "after": None
        if after is None
        else {
            "start": after.course.start.isoformat(),
            "treatment": after.course.treatment.id,
            "verdict": after.verdict.name.lower(),
            "count_from": after.count_from.isoformat(),
            "count_until": after.count_until.isoformat(),
            "before": None if after.before is None else count_lines.round_document(after.before),
            "after": None if after.after is None else count_lines.round_document(after.after),
            "threshold_percent": after.limit,
            "efficacy_percent": None if after.efficacy is None else round(after.efficacy, 1),
            "weak": after.weak,
            "others": [one.id for one in after.others],
        },
    }


def _pair(ends: tuple[float, float] | None) -> list[float] | None:
    return None if ends is None else list(ends)


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
