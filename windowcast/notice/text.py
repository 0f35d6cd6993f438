"""The morning notice as a plain-text mail: subject and body, at most 78 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import time
from functools import cache
from importlib import resources
from typing import NamedTuple

from jinja2 import Environment, Template

from windowcast.notice import hive_lines, words
from windowcast.notice import reason as reasons
from windowcast.notice.beside import NOTHING, Beside
from windowcast.notice.plain import (
    WIDTH,
    chance_words,
    headline,
    labelled,
    licence_line,
    source_line,
    wrapped,
)
from windowcast.trade import visits as visiting
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer

MOST_NEWS = 3
INVENTED = (
    "INVENTED WEATHER: these are bundled sample data for invented yards.",
    "Nothing here says anything about a real place.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What is sent: one subject line and a body of lines of at most 78 columns."""

    subject: str
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What a notice says about itself.

    late:        the hour it was due (local), where it comes later than a while; else None
    next_at:     the local hour at which the next notice is due
    invented:    the weather is the bundled sample
    """

    late: time | None
    next_at: time
    invented: bool


class Part(NamedTuple):
    """What a notice says of one yard.

    heading:  "Creek Bend: start today, two strips at once"
    lines:    labelled ones, of at most 78 columns; `plain.pieces` gives the words whole
    """

    yard: str
    heading: str
    lines: tuple[str, ...]


class Contents(NamedTuple):
    """All that a notice says, in its order, as whole paragraphs: the text and the HTML lay out the
    same ones.

    opening:   what must be said before anything else
    invented:  that the weather is, in lines; none where it is not
    dates:     the yards' today
    sentence:  the whole notice in one
    sources:   age and origin of the forecasts
    next:      when the next notice is due
    """

    subject: str
    opening: tuple[str, ...]
    invented: tuple[str, ...]
    dates: str
    sentence: str
    parts: tuple[Part, ...]
    cautions: tuple[str, ...]
    law: str
    sources: tuple[str, ...]
    next: str


def contents(
    answers: Sequence[YardAnswer],
    circumstances: Circumstances,
    units: str,
    beside: Mapping[str, Beside] | None = None,
) -> Contents:
    """The notice of all these yards, at least one; urgent ones are not reordered: file order.

    beside:  by yard name, what is to be said besides the windows; a yard may be missing
    """
    others = beside or {}
    said = subject_of(answers, others)
    days = sorted({answer.today for answer in answers})
    dates = words.day_with_year(days[0])
    if len(days) > 1:
        dates = f"{words.day(days[0])} or {words.day_with_year(days[-1])}, each yard's own date"
    return Contents(
        subject=f"{said} (invented weather)" if circumstances.invented else said,
        opening=tuple(_opening(answers, circumstances)),
        invented=INVENTED if circumstances.invented else (),
        dates=dates,
        sentence=said + ".",
        parts=tuple(
            _part(
                answer,
                units,
                dated=len(days) > 1,
                beside=others.get(answer.yard.name, NOTHING),
            )
            for answer in answers
        ),
        cautions=tuple(_cautions(answers, others)),
        law=hive_lines.LAW,
        sources=tuple(_sources(answers)),
        next=(
            f"The next notice is due tomorrow at {circumstances.next_at:%H:%M}. If none comes,"
            " something is broken: no notice is not an all-clear."
        ),
    )


def laid_out(said: Contents) -> Notice:
    """The notice as plain text."""
    body = _template().render(
        opening=[wrapped(text) for text in said.opening],
        invented=said.invented,
        date=said.dates,
        subject=wrapped(said.sentence),
        yards=["\n".join([*_headed(part.heading), *part.lines]) for part in said.parts],
        cautions=[wrapped(text) for text in said.cautions],
        law=wrapped(said.law),
        sources=[wrapped(text) for text in said.sources],
        next=wrapped(said.next),
    )
    return Notice(subject=said.subject, body=body)


def write(
    answers: Sequence[YardAnswer],
    circumstances: Circumstances,
    units: str,
    beside: Mapping[str, Beside] | None = None,
) -> Notice:
    """`contents`, laid out."""
    return laid_out(contents(answers, circumstances, units, beside))


def subject_of(answers: Sequence[YardAnswer], beside: Mapping[str, Beside] | None = None) -> str:
    """The whole message in a line: "Creek Bend can start today; 2 yards later; 1 closed".

    Danger to what is in the hives comes first, then what has changed since the last notice, then
    what is to be done today, then the windows of the other yards that have nothing in.
    """
    others = beside or {}
    told = [(answer, others.get(answer.yard.name, NOTHING)) for answer in answers]
    texts = [f"{answer.yard.name}: {one.danger}" for answer, one in told if one.danger]
    news = [(answer, one.news) for answer, one in told if one.news and not one.danger]
    if len(news) <= MOST_NEWS:
        texts += [f"{answer.yard.name}: {what}" for answer, what in news]
    else:
        texts.append(f"something has changed at {len(news)} yards")
    today = [(answer, one.today) for answer, one in told if one.today and not one.danger]
    if len(today) <= 2:
        texts += [f"{answer.yard.name}: {what}" for answer, what in today]
    else:
        texts.append(f"visits today at {len(today)} yards")
    shown = {answer.yard.name for answer, _ in news} if len(news) <= MOST_NEWS else set()
    free = [answer for answer, one in told if one.windows and answer.yard.name not in shown]
    if free:
        texts.append(_windows_of(free, more=bool(texts)))
    quiet = [
        answer
        for answer, one in told
        if not (one.windows or one.danger or one.today or answer.yard.name in shown)
    ]
    if quiet and not texts and len(quiet) == 1:
        return f"{quiet[0].yard.name}: {others[quiet[0].yard.name].heading}"
    if quiet:
        texts.append(f"{words.counted(len(quiet), 'yard')} with a treatment in")
    return "; ".join(texts)


def _windows_of(answers: Sequence[YardAnswer], *, more: bool) -> str:
    """The windows in a line; `more`: it follows something else."""
    by_status: dict[Status, list[YardAnswer]] = {}
    for answer in answers:
        by_status.setdefault(answer.main.status, []).append(answer)
    parts: list[tuple[int, str, str]] = []
    opened = by_status.get(Status.OPEN, [])
    if opened:
        parts.append((len(opened), "can start today", _names(opened)))
    for status, verb in (
        (Status.LATER, "later"),
        (Status.BLOCKED, "blocked"),
        (Status.CLOSED, "closed"),
        (Status.UNKNOWN, "without a usable forecast"),
    ):
        if found := by_status.get(status):
            parts.append((len(found), verb, _names(found)))
    if parts[0][1] == "can start today":
        texts = [f"{parts[0][2]} can start today"]
    elif len(parts) == 1 and parts[0][0] == 1:
        answer = answers[0]
        named = answer.main.named
        if answer.main.status is Status.LATER and named is not None:
            return f"{answer.yard.name} can start on {words.day(named.day)}"
        return f"{answer.yard.name}: {parts[0][1]}"
    else:
        texts = ["no other yard can start today" if more else "No yard can start today"]
        parts.insert(0, parts[0])
    said_yards = False
    for count, verb, _ in parts[1:]:
        noun = "" if said_yards else (" yard" if count == 1 else " yards")
        texts.append(f"{count}{noun} {verb}")
        said_yards = True
    return "; ".join(texts)


def _names(answers: Sequence[YardAnswer]) -> str:
    names = [answer.yard.name for answer in answers]
    return words.listed(names) if len(names) <= 2 else f"{len(names)} yards"


def _part(answer: YardAnswer, units: str, *, dated: bool, beside: Beside) -> Part:
    """One yard's part of the notice; `dated`: its own date is told too."""
    lines: list[str] = []
    if dated:
        lines += labelled("Today", words.day(answer.today))
    lines += beside.first
    if beside.windows:
        lines += _window_lines(answer, units, others=beside.others)
    lines += beside.last
    if answer.forecast.missing and answer.forecast.sources:
        lines += labelled("Missing", "; ".join(answer.forecast.missing))
    heading = f"{answer.yard.name}: {beside.heading or headline(answer.main, answer)}"
    return Part(yard=answer.yard.name, heading=heading, lines=tuple(lines))


def _headed(heading: str) -> list[str]:
    lines = textwrap.wrap(heading, WIDTH)
    return [*lines, "-" * max(map(len, lines))]


def _window_lines(answer: YardAnswer, units: str, *, others: bool) -> list[str]:
    """When a treatment can be started, with which dose, and what that asks for.

    others:  also the treatments that are not the first choice, in a line each
    """
    main = answer.main
    lines: list[str] = []
    row = main.named if main.status is not Status.UNKNOWN else None
    if row is not None:
        lines += labelled(
            "Start",
            f"{words.day(row.day)}, {words.regimen(row.start.regimen)}"
            f" ({words.treatment_plural(main.treatment)})",
        )
        lines += labelled("Chance", chance_words(row))
        lines += labelled("Hottest day", _hottest(row, units))
    lines += labelled("Why", reasons.reason(main, answer.forecast, units))
    if row is None and main.status is Status.CLOSED and main.best is not None:
        lines += labelled(
            "Nearest",
            f"{words.day(main.best.day)}, {words.regimen(main.best.start.regimen)}:"
            f" {chance_words(main.best)}",
        )
    if row is not None:
        lines += _visits(main, answer)
        regimen = row.start.regimen
        lines += hive_lines.at_the_hive(main.treatment, regimen, answer.yard.hive)
        lines += hive_lines.left_shut(main.treatment, regimen, start=row.day)
    names = [words.treatment_plural(one.treatment) for one in answer.treatments]
    rest = [
        other_line(one, told_apart=names.count(words.treatment_plural(one.treatment)) > 1)
        for one in answer.treatments[1:]
    ]
    if rest and others:
        lines += labelled("Others", rest[0])
        for other in rest[1:]:
            lines += labelled("", other)
    return lines


def other_line(answer: TreatmentAnswer, *, told_apart: bool = False) -> str:
    """A treatment that is not the first choice, in one line; `told_apart`: with its id."""
    name = words.treatment_plural(answer.treatment)
    if told_apart:
        name += f" ({answer.treatment.id})"
    if answer.status is Status.UNKNOWN:
        return f"{name}: not known"
    row = answer.named
    if row is None:
        best = answer.best
        near = (
            f" (at best {words.percent(best.start.chance.value)} on {words.day(best.day)})"
            if best is not None and best.start.chance is not None
            else ""
        )
        return f"{name}: no start{near}"
    chance = "" if row.start.chance is None else f", {words.percent(row.start.chance.value)}"
    blocked = "".join(f"; {reasons.in_short(one)}" for one in answer.blocked)
    return f"{name}: {words.day(row.day)}{chance}{blocked}"


def _opening(answers: Sequence[YardAnswer], circumstances: Circumstances) -> list[str]:
    """What must be said before anything else."""
    unknown = [answer for answer in answers if answer.main.status is Status.UNKNOWN]
    by_cause: dict[str, list[str]] = {}
    for answer in unknown:
        cause = "Only an old forecast" if answer.forecast.stale else "Too short a forecast"
        if not answer.forecast.sources:
            cause = "No usable forecast"
        by_cause.setdefault(cause, []).append(answer.yard.name)
    found = [
        f"{cause} for {words.listed(names)}: no start is named there."
        for cause, names in by_cause.items()
    ]
    if circumstances.late is not None:
        found.append(f"This notice is late: it was due at {circumstances.late:%H:%M}.")
    return found


def _visits(answer: TreatmentAnswer, yard: YardAnswer) -> list[str]:
    lines: list[str] = []
    for visit in answer.visits:
        text = f"{words.day(visit.day)}: {words.task(visit.task, visit.dose)}"
        if visit.strips is not None:
            each = " a colony" if visit.strips_per_colony is not None else ""
            bring = "bring" if visit.task is not visiting.Task.REMOVE else "expect"
            colonies = "colony" if yard.yard.colonies == 1 else "colonies"
            text += f"{each}; {bring} {visit.strips} for {yard.yard.colonies} {colonies}"
        lines += labelled("" if lines else "Visits", text)
    return lines


def _hottest(row: Row, units: str) -> str:
    fit, start = row.start.fit, row.start
    parts = []
    if fit.hottest_day is not None and fit.hottest_c is not None:
        parts.append(
            f"{words.day(fit.hottest_day)}, {words.degrees(fit.hottest_c, units)} forecast"
            + (
                ""
                if fit.days >= start.regimen.exposure_days
                else f" (covers {fit.days} of {start.regimen.exposure_days} days)"
            )
        )
    if start.hottest_c is not None:
        parts.append(
            f"{words.degrees(start.hottest_c, units)} over the exposure (middle of the scenarios)"
        )
    return "; ".join(parts) or "not known"


def _cautions(answers: Sequence[YardAnswer], beside: Mapping[str, Beside]) -> list[str]:
    """One caution for each active that this notice names a start of, or tells to handle."""
    actives = dict.fromkeys(
        one.treatment.active
        for answer in answers
        if beside.get(answer.yard.name, NOTHING).windows
        for one in answer.treatments
        if one.named is not None and one.status is not Status.UNKNOWN
    )
    shown = [beside.get(answer.yard.name, NOTHING) for answer in answers]
    actives |= dict.fromkeys(active for one in shown for active in one.actives)
    return hive_lines.cautions(actives)


def _sources(answers: Sequence[YardAnswer]) -> list[str]:
    """Age and origin of the forecasts, one line for each that differs."""
    lines = dict.fromkeys(source_line(answer) for answer in answers)
    licences = dict.fromkeys(licence_line(answer) for answer in answers)
    return [line for line in (*lines, *licences) if line]


@cache
def _template() -> Template:
    source = (
        resources.files("windowcast.notice").joinpath("templates/notice.txt").read_text("utf-8")
    )
    # Plain text: nothing to escape. Yard names never become templates, only values.
    environment = Environment(
        autoescape=False,  # noqa: S701
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.from_string(source)
