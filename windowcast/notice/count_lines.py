"""Mite counts in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from windowcast.notice import words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade.journal import Entry
from windowcast.trade.mites import (
    Growth,
    Passing,
    Round,
    as_wash,
    board_limit,
    board_population,
    chance_of_none,
    colonies_to_sample,
    interval,
    percent,
)

METHODS = {"wash": "wash", "roll": "sugar roll", "board": "board"}


def figure(value: float) -> str:
    """Mites per 100 bees: "3.0 %", "0.17 %"."""
    return f"{value:.2f} %" if 0 < value < 1 else f"{value:.1f} %"


def reach(low: float, high: float) -> str:
    """ "1.4 to 5.6 %"."""
    return f"{figure(low).removesuffix(' %')} to {figure(high)}"


def sentence(entry: Entry) -> str:
    """One count: "Aug 5: hive 7, wash: 9 mites on 300 bees, 3.0 % (1.4 to 5.6 %)"."""
    body = entry.body
    who = f"{body['colony']}, " if body.get("colony") else ""
    text = f"{words.day_with_year(entry.day)}: {who}{METHODS[body['method']]}: "
    text += words.counted(body["mites"], "mite")
    if body["method"] == "board":
        fall = body["mites"] / body["days"]
        return f"{text} in {body['days']:g} days, {fall:.1f} a day"
    share = percent(as_wash(body["method"], body["mites"]), body["bees"])
    low, high = interval(body["method"], body["mites"], body["bees"])
    return f"{text} on {body['bees']} bees, {figure(share)} ({reach(low, high)})"


def round_words(one: Round) -> str:
    """ "2.0 % (1.0 to 3.5 %) over 8 colonies; worst hive 7, 6.0 %"."""
    text = f"{figure(one.percent)} ({reach(one.low, one.high)}) over {words.colonies(one.colonies)}"
    if one.worst is not None and one.colonies > 1:
        text += f"; most in {one.worst[0]}, {figure(one.worst[1])}"
    return text


def passing_words(ahead: Passing, rate: Growth, today: date) -> str:
    """When the threshold is passed, with its range."""
    limit = f"the {figure(ahead.percent)} at which treatment is due at once"
    if ahead.day is None:
        return f"at the expected growth {limit} is not reached within a year"
    by = "" if ahead.early is None else f"; it may be from {words.day(ahead.early)} on"
    grows = f"growth {100 * rate.per_day:.1f} % a day"
    grows += ", learned from this yard's counts" if rate.learned else ", as published"
    if ahead.day <= today:
        return f"{limit} is passed since {words.day(ahead.day)} ({grows})"
    late = "" if ahead.late is None else f", at the latest {words.day(ahead.late)}"
    return f"{limit} is reached about {words.day(ahead.day)}{by}{late} ({grows})"


def added_lines(
    entry: Entry,
    last: Round | None,
    *,
    colonies: int,
    limit: float,
    brood: bool,
    south: bool,
    stale: bool,
    ahead: tuple[Passing, Growth] | None,
    today: date,
) -> list[str]:
    """What a count that was just entered means.

    last:   the round that it belongs to; None for a board
    stale:  a treatment began after it: it says nothing of what is there now
    """
    body = entry.body
    lines = [wrapped(f"Count {entry.id}, {entry.yard}: {sentence(entry)}")]
    if body["method"] == "board":
        return lines + _board(entry, south=south, brood=brood)
    if last is None:
        return lines
    state = "above" if last.percent >= limit else "below"
    lines += labelled("Yard", f"{round_words(last)}: {state} the {figure(limit)} of this month")
    if last.colonies == 1:
        lines += labelled(
            "", "One colony tells little of a yard: colonies differ more than chance."
        )
    if body["mites"] == 0:
        missed = chance_of_none(0.01, body["bees"])
        lines += labelled(
            "None found",
            f"is not none: at 1 % such a sample finds nothing in {words.percent(missed)} of cases",
        )
    more = colonies_to_sample(colonies) - last.colonies
    if more > 0:
        lines += labelled(
            "Count more",
            f"{words.colonies(more)} of this yard within the week,"
            f" {colonies_to_sample(colonies)} in all",
        )
    if stale:
        lines += labelled("Then", "a treatment began after it: count again when it is over")
    elif ahead is not None:
        lines += labelled("Then", passing_words(*ahead, today))
    return lines


def _board(entry: Entry, *, south: bool, brood: bool) -> list[str]:
    fall = entry.body["mites"] / entry.body["days"]
    limit = board_limit(entry.day, south=south)
    state = "above" if fall >= limit else "below"
    lines = labelled("Board", f"{fall:.1f} mites a day, {state} the {limit:g} of this month")
    found = board_population(fall, entry.day, south=south, brood=brood)
    if found is None:
        return lines + labelled(
            "Population", "a board says nothing of it while there is no brood: wash a sample"
        )
    return lines + labelled(
        "Population",
        f"about {round(found, -1):g} mites in the colony, if it has brood and is not collapsing; a"
        " rough guide, and no infestation: wash a sample before you decide on it",
    )


def list_lines(
    yard: str,
    entries: Sequence[Entry],
    found: Sequence[Round],
    *,
    stale: bool,
    ahead: tuple[Passing, Growth] | None,
    today: date,
) -> list[str]:
    """A yard's counts, the newest round first in words."""
    if not entries:
        return [f"{yard}: no counts yet."]
    lines = [yard]
    for one in reversed(found):
        lines += labelled(
            "Round",
            f"{words.span(one.first_day, one.day)}, {one.day.year}: {round_words(one)}",
        )
    if stale:
        lines += labelled("Then", "a treatment began after the last round: count again")
    elif ahead is not None:
        lines += labelled("Then", passing_words(*ahead, today))
    for entry in reversed(entries):
        lines += labelled(f"{entry.id}", sentence(entry))
    return lines


def count_document(entry: Entry) -> dict[str, Any]:
    """One count as plain values; per cent as a wash would find it, null for a board."""
    body = entry.body
    found: dict[str, Any] = {
        "number": entry.id,
        "yard": entry.yard,
        "day": entry.day.isoformat(),
        **{key: body.get(key) for key in ("method", "mites", "bees", "colony", "days")},
        "percent": None,
        "low": None,
        "high": None,
    }
    if body["method"] != "board":
        low, high = interval(body["method"], body["mites"], body["bees"])
        share = percent(as_wash(body["method"], body["mites"]), body["bees"])
        found |= {"percent": round(share, 3), "low": round(low, 3), "high": round(high, 3)}
    return found


def round_document(one: Round) -> dict[str, Any]:
    """A round as plain values, per cent."""
    return {
        "first_day": one.first_day.isoformat(),
        "last_day": one.day.isoformat(),
        "percent": round(one.percent, 3),
        "low": round(one.low, 3),
        "high": round(one.high, 3),
        "colonies": one.colonies,
        "bees": one.bees,
        "mites": one.mites,
        "worst": None
        if one.worst is None
        else {"colony": one.worst[0], "percent": round(one.worst[1], 3)},
    }


def growth_document(ahead: tuple[Passing, Growth] | None) -> dict[str, Any] | None:
    """Growth and the day of the threshold as plain values."""
    if ahead is None:
        return None
    passing, rate = ahead
    return {
        "per_day": round(rate.per_day, 5),
        "low": round(rate.low, 5),
        "high": round(rate.high, 5),
        "learned": rate.learned,
        "threshold_percent": passing.percent,
        "passed_on": _iso(passing.day),
        "early": _iso(passing.early),
        "late": _iso(passing.late),
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
