"""Mite counts in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, NamedTuple

from windowcast.notice import words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade.journal import Entry
from windowcast.trade.mites import (
    Efficacy,
    Growth,
    Passing,
    Round,
    as_wash,
    bees_to_find,
    board_infestation,
    board_limit,
    board_population,
    chance_of_none,
    colonies_to_sample,
    interval,
    percent,
)

METHODS = {"wash": "wash", "roll": "sugar roll", "board": "board"}


class Fall(NamedTuple):
    """What a board says.

    per_day:     mites that fall in a day
    limit:       the same at which to act
    population:  mites in the colony; None: no brood, nothing can be said
    percent:     mites per 100 adult bees, roughly; None: nor can this, or the bees are not known
    """

    per_day: float
    limit: float
    population: float | None
    percent: float | None


def fall_of(entry: Entry, *, south: bool, brood: bool) -> Fall | None:
    """What the count of a board says; None for another count."""
    body = entry.body
    if body["method"] != "board":
        return None
    per_day = body["mites"] / body["days"]
    population = board_population(per_day, entry.day, south=south, brood=brood)
    known = population is not None and body["bees"] is not None
    return Fall(
        per_day=per_day,
        limit=board_limit(entry.day, south=south),
        population=population,
        percent=board_infestation(population or 0.0, body["bees"]) if known else None,
    )


def still_to_count(one: Round, colonies: int) -> int:
    """Colonies of the yard that the round still lacks."""
    return max(colonies_to_sample(colonies) - one.colonies, 0)


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
    share = _share(entry)
    low, high = interval(body["method"], body["mites"], body["bees"])
    return f"{text} on {body['bees']} bees, {figure(share)} ({reach(low, high)})"


def _share(entry: Entry) -> float:
    """Per cent, as a wash would have found it."""
    body = entry.body
    return min(percent(as_wash(body["method"], body["mites"]), body["bees"]), 100.0)


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
        at_most = "" if ahead.early is None else f"; it may be from {_day(ahead.early, today)} on"
        return f"at the expected growth {limit} is not reached within a year{at_most}"
    by = "" if ahead.early is None else f"; it may be from {_day(ahead.early, today)} on"
    grows = f"growth {100 * rate.per_day:.1f} % a day"
    grows += ", learned from this yard's counts" if rate.learned else ", as published"
    if ahead.day <= today:
        return f"{limit} is passed since {_day(ahead.day, today)} ({grows})"
    late = "" if ahead.late is None else f", at the latest {_day(ahead.late, today)}"
    return f"{limit} is reached about {_day(ahead.day, today)}{by}{late} ({grows})"


def _day(value: date, today: date) -> str:
    """With its year where that is not this one."""
    return words.day(value) if value.year == today.year else words.day_with_year(value)


def added_lines(
    entry: Entry,
    last: Round | None,
    *,
    colonies: int,
    limit: float,
    fall: Fall | None,
    stale: bool,
    ahead: tuple[Passing, Growth] | None,
    today: date,
) -> list[str]:
    """What a count that was just entered means.

    last:   the round that it belongs to; None for a board
    limit:  the threshold of its month
    fall:   of a board
    stale:  a treatment began after the round, or was under way: it tells nothing of what is there
    """
    body = entry.body
    lines = [wrapped(f"Count {entry.id}, {entry.yard}: {sentence(entry)}")]
    month = words.MONTH_NAMES[entry.day.month - 1]
    if fall is not None:
        return lines + _board(fall, month)
    if last is None:
        return lines
    state = "above" if last.percent >= limit else "below"
    lines += labelled("Yard", f"{round_words(last)}: {state} the {figure(limit)} of {month}")
    if last.colonies == 1:
        lines += labelled(
            "", "One colony tells little of a yard: colonies differ more than chance."
        )
    if body["mites"] == 0:
        lines += labelled("None found", _none_found(body["bees"]))
    more = still_to_count(last, colonies)
    if more > 0:
        lines += labelled(
            "Count more",
            f"{words.colonies(more)} of this yard within the week,"
            f" {colonies_to_sample(colonies)} in all",
        )
    if stale:
        lines += labelled("Then", f"{_STALE}: {_AGAIN}")
    elif ahead is not None:
        lines += labelled("Then", passing_words(*ahead, today))
    return lines


_STALE = "a treatment began after this round, or was under way"
_AGAIN = "count again 14 days after its end"


def _none_found(bees: int) -> str:
    missed = chance_of_none(0.01, bees)
    text = f"is not none: at 1 % such a sample finds nothing in {words.percent(missed)} of cases"
    enough = bees_to_find(0.01, 0.95)
    return text if bees >= enough else f"{text}, one of {enough} bees in 5 %"


def _board(fall: Fall, month: str) -> list[str]:
    state = "above" if fall.per_day >= fall.limit else "below"
    lines = labelled(
        "Board", f"{fall.per_day:.1f} mites a day, {state} the {fall.limit:g} of {month}"
    )
    if fall.population is None:
        return lines + labelled(
            "Population", "a board says nothing of it while there is no brood: wash a sample"
        )
    text = f"about {round(fall.population, -1):g} mites in the colony"
    text += ", if it has brood and is not collapsing"
    if fall.percent is None:
        text += "; no infestation, since the bees of the colony are not known"
    else:
        text += f", and so about {figure(fall.percent)}"
    return lines + labelled(
        "Population", f"{text}; a rough guide: wash a sample before you decide on it"
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
        lines += labelled("Then", f"{_STALE}: {_AGAIN}")
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
        share = _share(entry)
        found |= {"percent": round(share, 3), "low": round(low, 3), "high": round(high, 3)}
    return found


def fall_document(fall: Fall | None) -> dict[str, Any] | None:
    """What a board says as plain values; population and per cent null where nothing can be said."""
    if fall is None:
        return None
    return {
        "per_day": round(fall.per_day, 2),
        "limit_per_day": fall.limit,
        "population": None if fall.population is None else round(fall.population),
        "percent": None if fall.percent is None else round(fall.percent, 2),
    }


def efficacy_lines(found: Efficacy) -> list[str]:
    """How much a treatment has done, in the ways that the counts allow."""
    lines = []
    if found.fall is not None:
        more = "fewer" if found.fall >= 0 else "more"
        lines += labelled(
            "Fall",
            f"{abs(found.fall):.1f} % {more} mites than before; they would have grown meanwhile,"
            " so that it has done more than this",
        )
    if found.against_control is not None:
        lines += labelled(
            "Control",
            f"{found.against_control:.1f} % against untreated colonies (Henderson-Tilton)",
        )
    if found.killed is not None:
        lines += labelled(
            "Killed", f"{found.killed:.1f} % of the mites that it and the follow-up killed"
        )
    return lines


def efficacy_document(found: Efficacy) -> dict[str, Any]:
    """The same as plain values, per cent; null where it is not known."""
    return {
        "schema": 1,
        "fall_percent": _rounded(found.fall),
        "against_control_percent": _rounded(found.against_control),
        "killed_percent": _rounded(found.killed),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


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
