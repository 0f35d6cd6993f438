"""When a yard is due, and what else there is, in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from windowcast.notice import count_lines, words
from windowcast.notice.plain import labelled
from windowcast.trade.choice import Judged, Verdict
from windowcast.trade.due import Cause, Due, State
from windowcast.trade.hive import Obstacle
from windowcast.trade.winter import AGAIN_DAYS, LOOK_LASTS_DAYS, Broodless, Winter
from windowcast.window.choice import Option
from windowcast.window.plan import Timing

CAGED = "24 to 25"
"""With the queen caged so many days no capped brood is left: `winter.CAGED_DAYS`, and one to
spare."""
MOST_OPTIONS = 4


def due_lines(due: Due, timing: Timing, *, today: date) -> list[str]:
    """What a person needs of it; no line where nothing is due."""
    if due.state is State.QUIET:
        return []
    if due.state is State.DONE:
        return _done(due)
    lines = labelled("Due", f"{_by(due, timing, today)}; {_so(timing, due)}")
    if due.last is not None:
        text = f"{words.day(due.last.day)}: {count_lines.round_words(due.last)}"
        early = None if due.passing is None else due.passing.early
        if due.cause is Cause.SEASON and due.by and early and today < early < due.by:
            text += f"; perhaps over the threshold from {words.day(early)} on"
        lines += labelled("Counted", text)
    lines += _queens(timing)
    lines += _same_active(timing)
    if due.counts_due is not None and due.counts_due <= today:
        why = "counts say whether it must be sooner"
        if due.lifted:
            why = "before the treatment, or nobody can tell what it did"
        lines += labelled("Count", f"some colonies now: {why}")
    return lines + option_lines(timing.instead)


def _by(due: Due, timing: Timing, today: date) -> str:
    """Until when, and why then."""
    if due.state is State.NOW:
        text = "now: over the threshold of this month"
        if not due.counted_over and due.passing is not None and due.passing.day is not None:
            text = f"now: by its growth over the threshold since {words.day(due.passing.day)}"
            text += ", though not counted since"
        if due.end_by is not None and due.end_by <= today:
            text += "; winter bees are being raised already"
        return text
    assert due.by is not None  # COMING and OVERDUE have a day
    if due.state is State.OVERDUE:
        text = f"overdue: the last day to start was {words.day(due.by)}"
        if due.end_by is not None:
            text += f"; winter bees are raised from {words.day(due.end_by)} on"
        return text
    if due.cause is Cause.SEASON and due.end_by is not None:
        last, end = words.day(_last_start(due.by, timing)), words.day(due.end_by)
        return f"start by {last}, to be over by {end}, when winter bees begin to be raised"
    early = (
        f", perhaps from {words.day(due.early)} on"
        if due.early is not None and today < due.early < due.by
        else ""
    )
    return f"start by {words.day(due.by)}{early}: then the counts expect the threshold passed"


def _last_start(by: date, timing: Timing) -> date:
    """The last day for the regimen that is named; `by` is that of the shortest exposure, and holds
    where the run goes on in another regimen."""
    run = timing.span
    for one in timing.starts_by:
        if (
            run is not None
            and one.season is not None
            and (one.treatment, one.regimen) == (timing.main, run.regimen)
            and run.last <= one.season
        ):
            return one.season
    return by


def _so(timing: Timing, due: Due) -> str:
    """What to do about it."""
    run = timing.span or timing.late
    if run is not None:
        days = words.span(run.first, run.last)
        if run is timing.late:
            return f"no start in time is named; the first after it is {days}"
        return f"start as soon as you can, {days}" if due.lifted else f"so start {days}"
    if timing.looked_until is None:
        return "no start day can be judged now"
    last = words.day(timing.looked_until)
    if timing.unseen:
        return f"no start is named up to {last}, and what comes after cannot be judged yet"
    return f"no start is named up to {last}, the last day that can be judged"


def _same_active(timing: Timing) -> list[str]:
    """A start is not held up to somebody who had that active last without saying so."""
    again = any(one.treatment == timing.main and one.same_active for one in timing.options)
    if not again or (timing.span is None and timing.late is None):
        return []
    return labelled(
        "Active",
        f"{timing.main.active} was the last treatment too: mites that outlived it are left; change"
        " the active where you can, and count after it",
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
                "Queens",
                f"a colony that loses its queen to a start after {words.day(one.requeen)} has no"
                " time left to raise another: have some at hand",
            )
    return []


def _done(due: Due) -> list[str]:
    if not due.late or due.end_by is None:
        return []
    return labelled(
        "Late",
        f"the treatment ends after {words.day(due.end_by)}, when winter bees are being raised:"
        " count early next year",
    )


def option_lines(others: Sequence[Option]) -> list[str]:
    """What else there is: its conditions, what it costs and what it can do.

    others:  the yard's treatments but the one that has no start
    """
    lines: list[str] = []
    shown = [one for one in others if one.row is not None][:MOST_OPTIONS]
    for one in shown:
        lines += labelled("" if lines else "Instead", f"- {option_words(one)}")
    if others and not shown:
        lines += labelled("Instead", "no other treatment of this yard has its weather either")
    return lines


def option_words(one: Option) -> str:
    """ "amitraz plastic strips from Thu Aug 20: supers off first, 2 visits, …"."""
    treatment = one.treatment
    parts = []
    if Obstacle.SUPERS in one.needs:
        parts.append("supers off first" if treatment.max_supers == 0 else "fewer supers first")
    elif treatment.max_supers == 0:
        parts.append("supers stay off")
    if one.with_brood:
        parts.append(
            f"needs a brood break (queen caged {CAGED} days, so no start before"
            f" {words.day(one.ready)})"
        )
    parts.append(words.counted(one.visits, "visit"))
    if treatment.supers_after_days:
        parts.append(f"supers on {treatment.supers_after_days} days after removal")
    if treatment.honey_days:
        parts.append(f"no honey for {treatment.honey_days} days after removal")
    parts.append(
        "kills under the cappings"
        if treatment.kills_under_cappings
        else "does not reach mites under the cappings"
    )
    if one.efficacy_percent is not None:
        low, high = one.efficacy_percent
        text = f"{low:g} to {high:g} % killed in trials"
        if one.with_brood and one.efficacy_as_it_stands is not None:
            low, high = one.efficacy_as_it_stands
            text += f" ({low:g} to {high:g} % with brood)"
        parts.append(text)
    if one.same_active:
        parts.append("the same active as last time: mites that outlived it are left")
    when = ""
    if one.row is not None:
        when = f" from {words.day(one.row.day)}"
        when += "" if one.in_time else ", which is late"
    return f"{words.treatment_plural(treatment)}{when}: {', '.join(parts)}"


def judged_lines(found: Judged) -> list[str]:
    """What the count after a treatment says; no line where there is nothing to do or to learn.

    That a count is wanted is told with the visits.
    """
    what = words.treatment_plural(found.course.treatment)
    if found.after is None or found.limit is None or found.verdict is Verdict.ENOUGH:
        lines = []
        if found.weak and found.efficacy is not None:
            lines = labelled("Weak", _weak(found, what))
        return lines
    if found.verdict is not Verdict.AGAIN:
        return []
    text = (
        f"{count_lines.figure(found.after.percent)} on {words.day(found.after.day)} is still over"
        f" the {count_lines.figure(found.limit)} of that month: treat again"
    )
    if found.others:
        names = dict.fromkeys(words.treatment_plural(one) for one in found.others)
        text += f", with another active: {', '.join(names)}"
    else:
        text += ", with another active than those of this yard: the same would leave the same mites"
    lines = labelled("Again", text)
    if found.weak:
        lines += labelled("Weak", _weak(found, what))
    return lines


def _weak(found: Judged, what: str) -> str:
    least = found.course.treatment.efficacy_percent
    assert found.efficacy is not None and least is not None
    killed = max(found.efficacy, 0.0)
    return (
        f"the {what} killed about {killed:.0f} % of the mites, less than the {least[0]:g} % of the"
        " poorest trial: see how they were given, and whether mites resist"
    )


def winter_lines(found: Winter, today: date) -> list[str]:
    """The winter round; no line where it is not the time."""
    if found.state is Broodless.LOOK:
        return labelled(
            "Winter",
            "look into some colonies for brood: oxalic acid works where none is capped, and"
            " the date alone does not tell (windowcast found)",
        )
    if found.state is Broodless.SEEN and found.seen is not None:
        return labelled(
            "Winter",
            f"no capped brood on {words.day(found.seen)}: the conditions for oxalic acid are met"
            f" until {words.day(found.seen + timedelta(days=LOOK_LASTS_DAYS))}; then look again",
        )
    if found.state is Broodless.OLD and found.seen is not None:
        return labelled(
            "Winter",
            f"no capped brood on {words.day(found.seen)}, too long ago: look again before you give"
            " oxalic acid",
        )
    if found.state is Broodless.BROOD and found.again is not None and found.seen is not None:
        return labelled(
            "Winter",
            f"capped brood on {words.day(found.seen)}: look again from {words.day(found.again)}"
            f" ({AGAIN_DAYS} days from the last egg)",
        )
    return []


def due_document(
    due: Due, timing: Timing, found: Winter, after: Judged | None = None
) -> dict[str, Any]:
    """All of it as plain values; days as dates, shares in per cent."""
    return {
        "due": {
            "state": due.state.name.lower(),
            "start_by": _iso(due.by),
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
