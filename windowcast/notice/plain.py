"""Pieces of wording that both the mail and the terminal use; no template engine behind them."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from typing import NamedTuple
from zoneinfo import ZoneInfo

from windowcast.notice import words
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer

WIDTH = 78
INDENT = 15
"""Column at which what stands beside a label begins."""
LICENCES = {
    "open-meteo": (
        "https://open-meteo.com/ under https://creativecommons.org/licenses/by/4.0/; daily highs"
        " and chances worked out from it by windowcast."
    ),
}
_KEPT_TOGETHER = re.compile(
    r" (?=[°%])|(?<=\b(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun)) (?=[A-Z][a-z]{2} \d)"
    r"|(?<=\b(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)) (?=\d)"
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


def headline(answer: TreatmentAnswer, yard: YardAnswer) -> str:
    """The answer in a few words."""
    row = answer.named
    if answer.status is Status.UNKNOWN or row is None:
        return {
            Status.UNKNOWN: "not known today",
            Status.CLOSED: "no start in the days looked at",
        }.get(answer.status, answer.status.value)
    how = words.regimen(row.start.regimen)
    when = "today" if row.day == yard.today else f"on {words.day(row.day)}"
    if answer.status is Status.BLOCKED:
        return f"the weather allows a start {when}, the hives are not ready"
    return f"start {when}, {how}"


def chance_words(row: Row) -> str:
    """ "very likely to hold, 92 %"."""
    chance = row.start.chance
    if chance is None:
        return "not known: a single forecast, no scenarios"
    return f"{words.likelihood(chance.value)} to hold, {words.percent(chance.value)}"


def source_line(answer: YardAnswer) -> str:
    """ "Forecast fetched Mon Aug 31 05:12 (0.8 h ago), 51 scenarios to Thu Oct 15. …"."""
    forecast = answer.forecast
    if forecast.fetched_at is None or forecast.age_hours is None:
        return ""
    fetched = forecast.fetched_at.astimezone(ZoneInfo(answer.yard.timezone))
    text = f"Forecast fetched {words.day(fetched.date())} {fetched:%H:%M}"
    text += f" ({forecast.age_hours:.1f} h ago)"
    if forecast.scenarios and forecast.scenarios_last_day is not None:
        text += f", {forecast.scenarios} scenarios to {words.day(forecast.scenarios_last_day)}"
    how = f" {forecast.how}" if forecast.how else ""
    return f"{text}.{how} {forecast.attribution}"


def licence_line(answer: YardAnswer) -> str:
    """What the licence of the data asks for wherever they are shown: link, licence, changes."""
    return LICENCES.get(answer.forecast.source or "", "")


def labelled(label: str, text: str) -> list[str]:
    """A label and the text beside it, wrapped below itself; `pieces` gives them back."""
    found: list[str] = []
    for cut in _lines(
        text,
        first=f"  {label}".ljust(INDENT),
        next_ones=" " * (INDENT + (2 if text.startswith("- ") else 0)),
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
    """A paragraph of lines of at most 78 columns."""
    return "\n".join(_lines(text))


def kept_together(text: str) -> str:
    """With spaces that do not break between a figure and its unit, and within a date."""
    return _KEPT_TOGETHER.sub("\N{NO-BREAK SPACE}", text)


def _lines(text: str, *, first: str = "", next_ones: str = "") -> list[str]:
    """Lines of at most 78 columns that part no figure from its unit and no day from its month."""
    return [
        line.replace("\N{NO-BREAK SPACE}", " ")
        for line in textwrap.wrap(
            kept_together(text),
            WIDTH,
            initial_indent=first,
            subsequent_indent=next_ones,
            break_on_hyphens=False,
        )
    ]
