"""When a yard is due, and what else there is, in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from windowcast.notice import count_lines, words
from windowcast.notice.plain import labelled
from windowcast.trade.due import Cause, Due, State
from windowcast.trade.hive import Obstacle
from windowcast.trade.winter import AGAIN_DAYS, LOOK_LASTS_DAYS, Broodless, Winter
from windowcast.window.choice import Option, Span

CAGED_DAYS = "24 to 25"
"""With the queen caged so long no capped brood is left: three days as egg, six as larva and twelve
capped (worker), 24 in all (drone)."""
MOST_OPTIONS = 4


def due_lines(
    due: Due,
    span: Span | None,
    others: Sequence[Option],
    *,
    today: date,
    looked_until: date | None,
) -> list[str]:
    """What a person needs of it; no line where nothing is due.

    span:          the days on which a start is named and in time; None: none is
    others:        the yard's treatments, for where there is none; the first is the one of `span`
    looked_until:  the last start day that the forecast lets be judged
    """
    if due.state is State.QUIET:
        return []
    if due.state is State.DONE:
        return _done(due)
    lines = labelled("Due", f"{_by(due, today)}{_so(span, due, looked_until)}")
    if due.last is not None:
        lines += labelled(
            "Counted",
            f"{words.day(due.last.day)}: {count_lines.round_words(due.last)}",
        )
    if (
        due.requeen_by is not None
        and due.state in (State.COMING, State.NOW)
        and (span.first if span is not None else today) > due.requeen_by
    ):
        lines += labelled(
            "Queens",
            f"a colony that loses its queen after {words.day(due.requeen_by)} has no time left to"
            " raise another: have some at hand",
        )
    if due.state in (State.COMING, State.NOW) and due.counts_due and due.counts_due <= today:
        lines += labelled("Count", "some colonies now: counts say whether it must be sooner")
    if span is None:
        lines += option_lines(others)
    return lines


def _by(due: Due, today: date) -> str:
    if due.state is State.NOW:
        return "now: over the threshold of this month"
    if due.by is None:
        return ""
    if due.state is State.OVERDUE:
        return (
            f"the last day to start was {words.day(due.by)}: winter bees are being raised with the"
            " mites there are"
        )
    why = (
        "winter bees are raised after that"
        if due.cause is Cause.SEASON
        else "then the counts expect it over the threshold"
    )
    early = (
        f", perhaps from {words.day(due.early)} on"
        if due.early is not None and due.early < due.by and due.early > today
        else ""
    )
    return f"start by {words.day(due.by)}{early} ({why})"


def _so(span: Span | None, due: Due, looked_until: date | None) -> str:
    if span is not None:
        start = words.span(span.first, span.last)
        return f"; so start {start}" if span.first < span.last else f"; so start on {start}"
    if due.state is State.OVERDUE:
        return "; no start is named in the days looked at"
    if looked_until is None:
        return "; no start day can be judged now"
    if due.by is not None and due.by > looked_until:
        last = words.day(looked_until)
        return f"; no start is named up to {last}, the last day that can be judged"
    return "; no start in time is named"


def _done(due: Due) -> list[str]:
    if not due.late or due.end_by is None:
        return []
    return labelled(
        "Late",
        f"the treatment ends after {words.day(due.end_by)}, when winter bees are being raised:"
        " count early next year",
    )


def option_lines(others: Sequence[Option]) -> list[str]:
    """What else there is: its conditions, what it costs and what it can do."""
    lines: list[str] = []
    shown = [one for one in others[1:] if one.row is not None][:MOST_OPTIONS]
    for one in shown:
        lines += labelled("" if lines else "Instead", f"- {option_words(one)}")
    if others and not shown:
        lines += labelled("Instead", "no other treatment of this yard has its weather either")
    return lines


def option_words(one: Option) -> str:
    """ "amitraz plastic strips from Thu Aug 20: supers off, …"."""
    treatment = one.treatment
    parts = []
    if Obstacle.SUPERS in one.needs:
        parts.append("supers off first" if treatment.max_supers == 0 else "fewer supers first")
    elif treatment.max_supers == 0:
        parts.append("supers stay off")
    if treatment.honey_days:
        parts.append(f"no honey for {treatment.honey_days} days after")
    if treatment.supers_after_days:
        parts.append(f"supers on {treatment.supers_after_days} days after removal")
    if Obstacle.BROOD in one.needs:
        parts.append(f"needs a brood break (queen caged {CAGED_DAYS} days)")
    parts.append(
        "kills under the cappings"
        if treatment.kills_under_cappings
        else "does not reach mites under the cappings"
    )
    efficacy = treatment.efficacy_percent
    if Obstacle.BROOD in one.needs and treatment.efficacy_with_brood_percent is not None:
        efficacy = treatment.efficacy_with_brood_percent
        parts.append(f"with brood {efficacy[0]:g} to {efficacy[1]:g} % in trials")
    elif efficacy is not None:
        parts.append(f"{efficacy[0]:g} to {efficacy[1]:g} % in trials")
    if one.same_active:
        parts.append("the same active as last time: mites that outlived it are left")
    when = ""
    if one.row is not None:
        when = f" from {words.day(one.row.day)}"
        when += "" if one.in_time else ", which is late"
    return f"{words.treatment_plural(treatment)}{when}: {', '.join(parts)}"


def winter_lines(found: Winter, today: date) -> list[str]:
    """The winter round; no line where it is not the time."""
    if found.state is Broodless.LOOK:
        return labelled(
            "Winter",
            "look into some colonies for capped brood: oxalic acid works where there is none, and"
            " the date alone does not tell (windowcast found)",
        )
    if found.state is Broodless.SEEN and found.seen is not None:
        return labelled(
            "Winter",
            f"no capped brood on {words.day(found.seen)}: the time for oxalic acid, within"
            f" {LOOK_LASTS_DAYS} days of the look",
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
    due: Due, span: Span | None, others: Sequence[Option], found: Winter
) -> dict[str, Any]:
    """All of it as plain values."""
    return {
        "due": {
            "state": due.state.name.lower(),
            "start_by": _iso(due.by),
            "cause": None if due.cause is None else due.cause.name.lower(),
            "early": _iso(due.early),
            "end_by": _iso(due.end_by),
            "requeen_by": _iso(due.requeen_by),
            "counts_due": _iso(due.counts_due),
            "start_from": None if span is None else span.first.isoformat(),
            "start_to": None if span is None else span.last.isoformat(),
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
                "supers_off": one.treatment.max_supers == 0,
                "honey_days": one.treatment.honey_days,
                "supers_after_days": one.treatment.supers_after_days,
                "kills_under_cappings": one.treatment.kills_under_cappings,
                "efficacy_percent": one.treatment.efficacy_percent,
                "efficacy_with_brood_percent": one.treatment.efficacy_with_brood_percent,
                "same_active": one.same_active,
            }
            for one in others
        ],
        "winter": {
            "state": found.state.name.lower(),
            "look_from": _iso(found.look_from),
            "seen": _iso(found.seen),
            "again": _iso(found.again),
        },
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
