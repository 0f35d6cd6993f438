"""Mite counts in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, NamedTuple

from windowcast.language import marked, tr, trn
from windowcast.notice import words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade.journal import Entry
from windowcast.trade.mites import (
    Board,
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
    found_share,
    interval,
    percent,
)

METHODS = {"wash": marked("wash"), "roll": marked("sugar roll"), "board": marked("board")}


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
    return words.per_cent(_bare(value))


def _bare(value: float) -> str:
    return words.decimal(value, 2 if 0 < value < 1 else 1)


def reach(low: float, high: float) -> str:
    """ "1.4 to 5.6 %"."""
    return tr("{low} to {high}", low=_bare(low), high=figure(high))


def sentence(entry: Entry) -> str:
    """One count: "Aug 5: hive 7, wash: 9 mites on 300 bees, 3.0 % (1.4 to 5.6 %)"."""
    body = entry.body
    values = {"day": words.day_with_year(entry.day), "method": tr(METHODS[body["method"]])}
    if body.get("colony"):
        head = tr("{day}: {colony}, {method}", colony=body["colony"], **values)
    else:
        head = tr("{day}: {method}", **values)
    if body["method"] == "board":
        found = trn("{count} mite", "{count} mites", body["mites"])
        return tr(
            "{sample}: {mites} {in_days}, {fall} a day",
            sample=head,
            mites=found,
            in_days=tr("in a day")
            if body["days"] == 1
            else tr("in {number} days", number=words.general(body["days"])),
            fall=words.decimal(body["mites"] / body["days"], 1),
        )
    low, high = interval(body["method"], body["mites"], body["bees"])
    return trn(
        "{sample}: {count} mite on {bees} bees, {percent} ({range})",
        "{sample}: {count} mites on {bees} bees, {percent} ({range})",
        body["mites"],
        sample=head,
        bees=body["bees"],
        percent=figure(_share(entry)),
        range=reach(low, high),
    )


def _share(entry: Entry) -> float:
    """Per cent, as a wash would have found it."""
    body = entry.body
    return min(percent(as_wash(body["method"], body["mites"]), body["bees"]), 100.0)


def round_words(one: Round) -> str:
    """ "2.0 % (1.0 to 3.5 %) over 8 colonies; worst hive 7, 6.0 %"."""
    text = trn(
        "{percent} ({range}) over {count} colony",
        "{percent} ({range}) over {count} colonies",
        one.colonies,
        percent=figure(one.percent),
        range=reach(one.low, one.high),
    )
    if one.worst is None or one.colonies <= 1:
        return text
    worst = tr("most in {colony}, {percent}", colony=one.worst[0], percent=figure(one.worst[1]))
    return f"{text}; {worst}"


def round_against(one: Round, limit: float, month: str) -> str:
    """A round beside the threshold of its month: "3.4 % (…) over 8 colonies: above the 3.0 % of
    Nov"."""
    verdict = _against(one.percent, limit, figure(one.percent), figure(limit), month)
    return tr("{found}: {verdict}", found=round_words(one), verdict=verdict)


def fall_against(fall: Fall, month: str) -> str:
    """The same of what fell on a board: "12.0 mites a day: above the 10.0 of Aug"."""
    shown, limit = words.decimal(fall.per_day, 1), words.decimal(fall.limit, 1)
    verdict = _against(fall.per_day, fall.limit, shown, limit, month)
    found = tr("{fall} mites a day", fall=shown)
    return tr("{found}: {verdict}", found=found, verdict=verdict)


def _against(value: float, limit: float, shown: str, shown_limit: str, month: str) -> str:
    """What is as large as the threshold has reached it; what only looks as large is said to."""
    values = {"limit": shown_limit, "month": month}
    if value == limit:
        return tr("exactly the {limit} of {month}, from which treatment is due", **values)
    if value > limit:
        if shown == shown_limit:
            return tr("a little above the {limit} of {month}", **values)
        return tr("above the {limit} of {month}", **values)
    if shown == shown_limit:
        return tr("a little below the {limit} of {month}", **values)
    return tr("below the {limit} of {month}", **values)


def passing_words(ahead: Passing, rate: Growth, today: date) -> str:
    """When the threshold is passed, with its range; and where it is another than that of the count,
    that this is so."""
    text = _passing_words(ahead, rate, today)
    if ahead.day is None or figure(ahead.percent) == figure(ahead.counted):
        return text
    values = {
        "text": text,
        "before": figure(ahead.counted),
        "limit": figure(ahead.percent),
        "month": words.month(ahead.day.month),
    }
    if ahead.percent < ahead.counted:
        return tr("{text}; the threshold falls, from {before} to the {limit} of {month}", **values)
    return tr("{text}; the threshold rises, from {before} to the {limit} of {month}", **values)


def _passing_words(ahead: Passing, rate: Growth, today: date) -> str:
    limit = figure(ahead.percent)
    if ahead.day is None:
        if ahead.early is None:
            return tr(
                "at the expected growth the {limit} at which treatment is due at once is not"
                " reached within a year",
                limit=limit,
            )
        return tr(
            "at the expected growth the {limit} at which treatment is due at once is not"
            " reached within a year; it may be from {early} on",
            limit=limit,
            early=_at(ahead.early, ahead.early_percent, ahead, today),
        )
    a_day = words.per_cent(words.decimal(100 * rate.per_day, 1))
    grows = (
        tr("growth {percent} a day, learned from this yard's counts", percent=a_day)
        if rate.learned
        else tr("growth {percent} a day, as published", percent=a_day)
    )
    values = {"limit": limit, "day": _day(ahead.day, today), "growth": grows}
    if ahead.day <= today:
        return tr(
            "the {limit} at which treatment is due at once has been reached since {day} ({growth})",
            **values,
        )
    if ahead.early is not None:
        values["early"] = _at(ahead.early, ahead.early_percent, ahead, today)
    if ahead.late is not None:
        values["late"] = _at(ahead.late, ahead.late_percent, ahead, today)
    if ahead.early is not None and ahead.late is not None:
        return tr(
            "the {limit} at which treatment is due at once is reached about {day}; it may be from"
            " {early} on, at the latest {late} ({growth})",
            **values,
        )
    if ahead.early is not None:
        return tr(
            "the {limit} at which treatment is due at once is reached about {day}; it may be from"
            " {early} on ({growth})",
            **values,
        )
    if ahead.late is not None:
        return tr(
            "the {limit} at which treatment is due at once is reached about {day}, at the latest"
            " {late} ({growth})",
            **values,
        )
    return tr(
        "the {limit} at which treatment is due at once is reached about {day} ({growth})", **values
    )


def _at(day: date, limit: float, ahead: Passing, today: date) -> str:
    """ "Sat Oct 16, 2027 (then 3.0 %)": with the threshold of its month where that is another than
    the one that is named."""
    if limit == ahead.percent:
        return _day(day, today)
    return tr("{day} (then {limit})", day=_day(day, today), limit=figure(limit))


def _day(value: date, today: date) -> str:
    """With its year where that is not this one."""
    return words.day_in(value, today.year)


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
    lines = [
        wrapped(
            tr(
                "Count {number}, {yard}: {found}",
                number=entry.id,
                yard=entry.yard,
                found=sentence(entry),
            )
        )
    ]
    month = words.month(entry.day.month)
    if fall is not None:
        return lines + _board(fall, month)
    if last is None:
        return lines
    lines += labelled(tr("Yard"), round_against(last, limit, month))
    if last.colonies == 1:
        lines += labelled(
            "", tr("One colony tells little of a yard: colonies differ more than chance.")
        )
    if body["mites"] == 0:
        lines += labelled(tr("None found"), _none_found(body["method"], body["bees"]))
    more = still_to_count(last, colonies)
    if more > 0:
        lines += labelled(
            tr("Count more"),
            trn(
                "{count} colony of this yard within the week, {all} in all",
                "{count} colonies of this yard within the week, {all} in all",
                more,
                all=colonies_to_sample(colonies),
            ),
        )
    return lines + _then(stale, ahead, today)


def _then(stale: bool, ahead: tuple[Passing, Growth] | None, today: date) -> list[str]:
    if stale:
        return labelled(
            tr("Then"),
            tr(
                "a treatment began after this round, or was under way: count again 14 days after"
                " its end"
            ),
        )
    return [] if ahead is None else labelled(tr("Then"), passing_words(*ahead, today))


def _none_found(method: str, bees: int) -> str:
    share = found_share(method, 0.01)
    missed = words.percent(chance_of_none(share, bees))
    enough = bees_to_find(share, 0.95)
    if bees >= enough:
        return tr(
            "is not none: at 1 % such a sample finds nothing in {percent} of cases", percent=missed
        )
    return tr(
        "is not none: at 1 % such a sample finds nothing in {percent} of cases, one of {bees} bees"
        " in 5 %",
        percent=missed,
        bees=enough,
    )


def _board(fall: Fall, month: str) -> list[str]:
    lines = labelled(tr("Board"), fall_against(fall, month))
    if fall.population is None:
        return lines + labelled(
            tr("Population"),
            tr("a board says nothing of it while there is no brood: wash a sample"),
        )
    mites = words.general(round(fall.population, -1))
    if fall.percent is None:
        text = tr(
            "about {mites} mites in the colony, if it has brood and is not collapsing; no"
            " infestation, since the bees of the colony are not known; a rough guide: wash a sample"
            " before you decide on it",
            mites=mites,
        )
    else:
        text = tr(
            "about {mites} mites in the colony, if it has brood and is not collapsing, and so about"
            " {percent}; a rough guide: wash a sample before you decide on it",
            mites=mites,
            percent=figure(fall.percent),
        )
    return lines + labelled(tr("Population"), text)


def board_lines(found: Board | None, colonies: int) -> list[str]:
    """A board above its limit, and what it asks for; nothing where there is none."""
    if found is None:
        return []
    against = fall_against(
        Fall(found.per_day, found.limit, None, None), words.month(found.day.month)
    )
    where = (
        tr("{day}, {colony}: {found}", day=words.day(found.day), colony=found.colony, found=against)
        if found.colony
        else tr("{day}: {found}", day=words.day(found.day), found=against)
    )
    return labelled(
        tr("Board"),
        trn(
            "{board}; that says little by itself: wash or roll a sample of {count} colony now",
            "{board}; that says little by itself: wash or roll a sample of each of {count} colonies"
            " now",
            colonies_to_sample(colonies),
            board=where,
        ),
    )


def board_document(found: Board | None) -> dict[str, Any] | None:
    """The same as plain values."""
    if found is None:
        return None
    return {
        "day": found.day.isoformat(),
        "colony": found.colony,
        "fall_per_day": round(found.per_day, 2),
        "limit_per_day": found.limit,
    }


def none_lines(yards: Sequence[str]) -> list[str]:
    """Yards without a count, in one line."""
    if not yards:
        return []
    return wrapped(tr("{yard}: no counts yet.", yard=words.first_yards(yards))).splitlines()


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
        return [tr("{yard}: no counts yet.", yard=yard)]
    lines = [yard]
    for one in reversed(found):
        lines += labelled(
            tr("Round"),
            tr(
                "{days}, {year}: {round}",
                days=words.span(one.first_day, one.day),
                year=one.day.year,
                round=round_words(one),
            ),
        )
    lines += _then(stale, ahead, today)
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
        by = _tenth(abs(found.fall))
        lines += labelled(
            tr("Fall"),
            tr(
                "{percent} fewer mites than before; they would have grown meanwhile, so that it"
                " has done more than this",
                percent=by,
            )
            if found.fall >= 0
            else tr(
                "{percent} more mites than before; they would have grown meanwhile, so that it"
                " has done more than this",
                percent=by,
            ),
        )
    if found.against_control is not None:
        lines += labelled(
            tr("Control"),
            tr(
                "{percent} against untreated colonies (Henderson-Tilton)",
                percent=_tenth(found.against_control),
            ),
        )
    if found.killed is not None:
        lines += labelled(
            tr("Killed"),
            tr(
                "{percent} of the mites that it and the follow-up killed",
                percent=_tenth(found.killed),
            ),
        )
    return lines


def _tenth(percent: float) -> str:
    return words.per_cent(words.decimal(percent, 1))


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
        "early_threshold_percent": passing.early_percent,
        "late_threshold_percent": passing.late_percent,
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
