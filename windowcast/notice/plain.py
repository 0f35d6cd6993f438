"""Pieces of wording that both the mail and the terminal use; no template engine behind them."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

from windowcast.language import Lookup, current, marked, tr, trn
from windowcast.notice import columns, words
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer

WIDTH = columns.USUAL
INDENT = 15
"""Column at which what stands beside a label begins."""
LICENCES = {
    "open-meteo": marked(
        "https://open-meteo.com/ under https://creativecommons.org/licenses/by/4.0/; daily highs"
        " and chances worked out from it by windowcast."
    ),
}
_CORRECTED = re.compile(
    r"Chance: (?:one forecast|(?P<members>\d+) ensemble members), corrected with (?P<parts>.*)\."
)
"""What `sky.calibrate` says of itself, as it is kept with the scenarios."""
_CORRECTIONS = (
    marked("past errors by days ahead"),
    marked("built-in errors"),
    marked("past years beyond"),
    marked("the extended range by its skill"),
)


class Piece(NamedTuple):
    """What is said beside a label, whole.

    label:  "": one more of what the label above it says
    """

    label: str
    text: str


class Line(str):
    """A line of at most 78 columns that knows the piece which begins with it; None: it goes on
    with the piece above.

    So whoever lays a notice out otherwise than in 78 columns has the words that it was cut from.
    """

    __slots__ = ("piece",)

    piece: Piece | None


def headline(answer: TreatmentAnswer, yard: YardAnswer, *, shut: bool = False) -> str:
    """The answer in a few words; `shut`: hives should stay shut today."""
    row = answer.named
    other = open_instead(yard) if answer is yard.main else None
    if other is not None and shut:
        return tr(
            "no start in the days looked at; {treatment} could start, but hives stay shut today",
            treatment=words.treatment_plural(other.treatment),
        )
    if other is not None:
        return tr(
            "no start in the days looked at; {treatment} can start today",
            treatment=words.treatment_plural(other.treatment),
        )
    if answer.status is Status.UNKNOWN or row is None:
        return {
            Status.UNKNOWN: tr("not known today"),
            Status.CLOSED: tr("no start in the days looked at"),
        }.get(answer.status, answer.status.value)
    how = words.regimen(row.start.regimen)
    if answer.status is Status.BLOCKED:
        if row.day == yard.today:
            return tr("the weather allows a start today, the hives are not ready")
        return tr(
            "the weather allows a start on {day}, the hives are not ready", day=words.day(row.day)
        )
    if row.day == yard.today and shut:
        return tr("start on another day, hives stay shut today")
    if row.day == yard.today:
        return tr("start today, {regimen}", regimen=how)
    return tr("start on {day}, {regimen}", day=words.day(row.day), regimen=how)


def open_instead(yard: YardAnswer) -> TreatmentAnswer | None:
    """The treatment that can start today where the first of the yard has no start."""
    if yard.main.status is not Status.CLOSED:
        return None
    return next((one for one in yard.treatments[1:] if one.status is Status.OPEN), None)


def chance_words(row: Row) -> str:
    """ "very likely to hold, 92 %"."""
    chance = row.start.chance
    if chance is None:
        return tr("not known: a single forecast, no scenarios")
    return tr(
        "{likelihood} to hold, {percent}",
        likelihood=words.likelihood(chance.value),
        percent=words.percent(chance.value),
    )


def source_line(answer: YardAnswer) -> str:
    """ "Forecast fetched Mon Aug 31 05:12 (0.8 h ago), 51 scenarios to Thu Oct 15. …"."""
    fetched = _fetched(answer, "")
    return " ".join(one for one in (fetched, *_made(answer)) if one) if fetched else ""


def source_lines(answers: Iterable[YardAnswer]) -> list[str]:
    """Age and origin of the forecasts of several yards, nothing twice; with the zone of an hour
    where the yards' clocks differ."""
    known = [one for one in answers if one.forecast.fetched_at is not None]
    zones = {one.yard.timezone for one in known}
    if len(zones) < 2:
        lines = list(dict.fromkeys(source_line(one) for one in known))
        if len(lines) < 2:
            return [line for line in lines if line]
    instants: dict[tuple[object, ...], str] = {}
    for one in known:
        forecast = one.forecast
        assert forecast.fetched_at is not None  # else it is not known
        minute = forecast.fetched_at.replace(second=0, microsecond=0)
        found = minute, forecast.scenarios, forecast.scenarios_last_day
        instants.setdefault(found, _fetched(one, one.yard.timezone if len(zones) > 1 else ""))
    made = dict.fromkeys(text for one in known for text in _made(one))
    return [line for line in (*dict.fromkeys(instants.values()), *made) if line]


def _fetched(answer: YardAnswer, zone: str) -> str:
    """When, and what it reaches; `zone`: to be named, "" for none."""
    forecast = answer.forecast
    if forecast.fetched_at is None or forecast.age_hours is None:
        return ""
    fetched = forecast.fetched_at.astimezone(ZoneInfo(answer.yard.timezone))
    clock = words.clock(fetched.time())
    values = {
        "day": words.day(fetched.date()),
        "time": tr("{time} in {timezone}", time=clock, timezone=zone) if zone else clock,
        "hours": words.decimal(forecast.age_hours, 1),
    }
    if forecast.scenarios and forecast.scenarios_last_day is not None:
        return trn(
            "Forecast fetched {day} {time} ({hours} h ago), {count} scenario to {last}.",
            "Forecast fetched {day} {time} ({hours} h ago), {count} scenarios to {last}.",
            forecast.scenarios,
            last=words.day(forecast.scenarios_last_day),
            **values,
        )
    return tr("Forecast fetched {day} {time} ({hours} h ago).", **values)


def _made(answer: YardAnswer) -> tuple[str, str]:
    """How its chances were made, and what is owed to its sources."""
    return how_words(answer.forecast.how), attribution(answer.forecast.attribution)


def too_old(age_hours: float, most_hours: float) -> str:
    """Why a stale forecast says nothing of starts."""
    return tr(
        "the forecast is {hours} h old, but `max_age_hours` allows {most} h",
        hours=words.decimal(age_hours, 1),
        most=words.general(most_hours),
    )


def attribution(text: str) -> str:
    """What is owed to the sources of an answer, which it holds in English."""
    return "; ".join(tr(one) for one in text.split("; ")) if text else ""


def how_words(how: str) -> str:
    """How the chance was made, which is kept in English beside what it was made of."""
    found = _CORRECTED.fullmatch(how)
    if found is None:
        return tr(how) if how else ""
    parts = words.in_a_row([tr(one) for one in found["parts"].split(", ")])
    if found["members"] is None:
        return tr("Chance: one forecast, corrected with {corrections}.", corrections=parts)
    return trn(
        "Chance: {count} ensemble member, corrected with {corrections}.",
        "Chance: {count} ensemble members, corrected with {corrections}.",
        int(found["members"]),
        corrections=parts,
    )


def licence_line(answer: YardAnswer) -> str:
    """What the licence of the data asks for wherever they are shown: link, licence, changes."""
    licence = LICENCES.get(answer.forecast.source or "", "")
    return tr(licence) if licence else ""


def labelled(label: str, text: str, *, column: int = INDENT) -> list[str]:
    """A label and the text beside it, wrapped below itself; `pieces` gives them back."""
    found: list[str] = []
    for cut in _lines(
        text,
        first=f"  {label} ".ljust(column),
        next_ones=" " * (column + (2 if text.startswith("- ") else 0)),
    ):
        line = Line(cut)
        line.piece = None if found else Piece(label, text)
        found.append(line)
    return found


def pieces(lines: Iterable[str]) -> list[Piece]:
    """What `labelled` made these lines of; a line of other origin is a piece without a label."""
    begun = [line.piece if isinstance(line, Line) else Piece("", line.strip()) for line in lines]
    return [piece for piece in begun if piece is not None]


def wrapped(text: str) -> str:
    """A paragraph of lines that fit the columns there are: 78, or those of a terminal."""
    return "\n".join(_lines(text))


def wrapped_below(text: str, indent: int) -> list[str]:
    """A text that begins `indent` columns in, wrapped two columns further in."""
    return _lines(text, first=" " * indent, next_ones=" " * (indent + 2))


def _lines(text: str, *, first: str = "", next_ones: str = "") -> list[str]:
    """Lines that fit and part no figure from its unit and no day from its month."""
    return list(_wrapped(text, first, next_ones, columns.available(), current()))


@lru_cache(maxsize=512)
def _wrapped(
    text: str, first: str, next_ones: str, available: int, language: Lookup
) -> tuple[str, ...]:
    """A morning of many yards lays out the same sentences again and again."""
    del available, language  # what else lines depend on: it is asked for where it is needed
    kept, most = columns.filled(words.kept_together(text))
    return tuple(
        columns.unfilled(line.replace("\N{NO-BREAK SPACE}", " "))
        for line in textwrap.wrap(
            kept,
            most,
            initial_indent=first,
            subsequent_indent=next_ones,
            break_on_hyphens=False,
        )
    )
