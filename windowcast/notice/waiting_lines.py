"""What each `min_chance` would have cost, as lines of a terminal and as plain values."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from windowcast.language import marked, tr, trn
from windowcast.notice import columns, words
from windowcast.notice.plain import wrapped
from windowcast.sky.waiting import Waiting
from windowcast.window.season import MonthDay, SeasonDays

TITLES = (marked("opened in"), marked("median first day"), marked("of these held"))
CLOSE_TITLES = (marked("opened in"), marked("median day"), marked("held"))
# The second for less than 70 columns, from the edge on.
CELLS, CLOSE_CELLS = (17, 15, 19, 16), (17, 10, 17, 14)
EXPLAINED = 0.8


def waiting_lines(regimen_id: str, waiting: Waiting, season: SeasonDays) -> list[str]:
    """One regimen's table, with the sentence that says how to read it."""
    lines = [
        wrapped(tr("{regimen}: what each min_chance would have cost", regimen=regimen_id)),
        _head(),
    ]
    for one in waiting.openings:
        held = "-" if one.share_held is None else words.percent(one.share_held)
        opened, first = _years(one.share_opened, waiting), _first(one.median_wait_days, season)
        lines.append(_row(words.decimal(one.min_chance, 2), opened, first, held))
    could = waiting.share_could
    opened, first = _years(could, waiting), _first(waiting.median_could_days, season)
    lines.append(_row(tr("weather foreknown"), opened, first, words.percent(1) if could else "-"))
    return [*lines, wrapped(_how_to_read(waiting, season))]


def _close() -> bool:
    return columns.available() < sum(CELLS) + 2


def _head() -> str:
    opened, first, held = map(tr, CLOSE_TITLES if _close() else TITLES)
    return _row("min_chance", opened, first, held)


def _row(label: str, opened: str, first: str, held: str) -> str:
    close = _close()
    widths = CLOSE_CELLS if close else CELLS
    cells = zip((opened, first, held), widths[1:], strict=True)
    row = f"{label:<{widths[0]}}" + "".join(f"{cell:>{width}}" for cell, width in cells)
    return row if close else f"  {row}"


def about_waiting(waiting: Waiting) -> str:
    """Where the figures come from; once for all regimens."""
    return wrapped(
        trn(
            "The forecasts behind these tables are simulated: the weather that came, with errors"
            " as large and as long-lived as built-in statistics have them. The chances are made of"
            " them as `verify` makes them, the judged year left out. Each morning's start on that"
            " day is looked at, by its chance and band alone, and the first that reaches min_chance"
            " is taken. The median is over the years that opened; a share of so few years is known"
            " to ten points or so.",
            "The forecasts behind these tables are simulated: the weather that came, with errors"
            " as large and as long-lived as built-in statistics have them. The chances are made of"
            " them as `verify` makes them, the judged year left out. On one morning in {count} the"
            " start on that day is looked at, by its chance and band alone, and the first that"
            " reaches min_chance is taken. The median is over the years that opened; a share of so"
            " few years is known to ten points or so.",
            waiting.every_days,
        )
    )


def waiting_document(regimen_id: str, waiting: Waiting, season: SeasonDays) -> dict[str, Any]:
    """The same as plain values; shares from 0 to 1, days as MM-DD."""
    return {
        "regimen": regimen_id,
        "forecasts": "simulated",
        "years": waiting.seasons,
        "every_days": waiting.every_days,
        "share_could": round(waiting.share_could, 3),
        "median_first_could": _month_day(waiting.median_could_days, season),
        "min_chances": [
            {
                "min_chance": one.min_chance,
                "share_opened": round(one.share_opened, 3),
                "median_first_start": _month_day(one.median_wait_days, season),
                "share_held": None if one.share_held is None else round(one.share_held, 3),
            }
            for one in waiting.openings
        ],
    }


def _how_to_read(waiting: Waiting, season: SeasonDays) -> str:
    one = min(waiting.openings, key=lambda each: abs(each.min_chance - EXPLAINED))
    named = words.decimal(one.min_chance, 2)
    if one.share_held is None:
        return trn(
            "So with min_chance {named} a start was named in none of {count} year: no chance ever"
            " was so high.",
            "So with min_chance {named} a start was named in none of {count} years: no chance ever"
            " was so high.",
            waiting.seasons,
            named=named,
        )
    return tr(
        "So with min_chance {named} a start was named in {years}, in half of those by {day}, and"
        " {percent} of these first starts held to their last day.",
        named=named,
        years=_years(one.share_opened, waiting),
        day=_first(one.median_wait_days, season),
        percent=words.percent(one.share_held),
    )


def _years(share: float, waiting: Waiting) -> str:
    number = round(share * waiting.seasons)
    if _close():
        return tr("{number} of {count}", number=number, count=waiting.seasons)
    return trn(
        "{number} of {count} year",
        "{number} of {count} years",
        waiting.seasons,
        number=number,
    )


def _first(days: float | None, season: SeasonDays) -> str:
    if days is None:
        return "-"
    day = _day(days, season)
    return words.month_day(day.month, day.day)


def _month_day(days: float | None, season: SeasonDays) -> str | None:
    if days is None:
        return None
    day = _day(days, season)
    return str(MonthDay(day.month, day.day))


def _day(days: float, season: SeasonDays) -> date:
    """The day of a year without 29 February; of two middle ones the day their mean falls on."""
    return season.of_year(2001)[0] + timedelta(days=int(days))
