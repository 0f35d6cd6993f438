"""The morning notice as a plain-text mail: subject and body, at most 78 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import cache
from importlib import resources
from typing import NamedTuple

from jinja2 import Environment, Template

from windowcast.language import marked, tr, trn
from windowcast.notice import hive_lines, many, words
from windowcast.notice import reason as reasons
from windowcast.notice.beside import NOTHING, Beside
from windowcast.notice.plain import (
    WIDTH,
    chance_words,
    headline,
    labelled,
    licence_line,
    open_instead,
    source_lines,
    wrapped,
)
from windowcast.notice.shut_lines import shut_before_lines, shut_lines, shut_today
from windowcast.notice.subject import MOST_NEWS, at_yard, subject_of
from windowcast.notice.taken_lines import taken_lines
from windowcast.notice.visit_words import visit_words
from windowcast.trade.visits import Task, visits
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer

SAMPLE = marked(
    "INVENTED WEATHER: these are bundled sample data for invented yards.\n"
    "Nothing here says anything about a real place."
)
SEASONS = {
    "late-summer": marked(
        "It is late summer in them, moved so that it begins today, each day anew: so winter bees"
        " are soon to be raised. The thresholds of counts stay those of the real month."
    ),
    "early-winter": marked(
        "It is early winter in them, moved so that it begins today, each day anew. The thresholds"
        " of counts stay those of the real month."
    ),
}
"""What is said of each season of the sample, so that nobody takes its days for the calendar's."""
OLD = marked("Only an old forecast for {yards}: no start is named there.")
SHORT = marked("Too short a forecast for {yards}: no start is named there.")
NONE = marked("No usable forecast for {yards}: no start is named there.")


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
    season:      which of the sample's, of SEASONS; "": it is not said
    spare_percent:  of strips to bring besides those that go in
    broken:      yards over which the program erred, in file order
    sheets:      crews' days of today and tomorrow, as promised
    day:         the notice's, where no yard has an answer
    """

    late: time | None
    next_at: time
    invented: bool
    spare_percent: float
    broken: tuple[str, ...] = ()
    sheets: tuple[tuple[str, ...], ...] = ()
    day: date | None = None
    season: str = ""


class Part(NamedTuple):
    """What a notice says of one yard.

    heading:  "Creek Bend: start today, two strips at once"
    lines:    labelled ones, of at most 78 columns; `plain.pieces` gives the words whole
    acts:     something is new, in danger or to be done today
    """

    yard: str
    heading: str
    lines: tuple[str, ...]
    acts: bool


class Contents(NamedTuple):
    """All that a notice says, in its order, as whole paragraphs: the text and the HTML lay out the
    same ones.

    opening:   what must be said before anything else
    invented:  that the weather is, in lines; none where it is not
    dates:     the yards' today
    sentence:  the whole notice in one
    brief:     of many yards those that are told in a line each, below a first line that says so
    sheets:    crews' days as promised, each of lines of at most 78 columns
    sources:   age and origin of the forecasts
    next:      when the next notice is due
    """

    subject: str
    opening: tuple[str, ...]
    invented: tuple[str, ...]
    dates: str
    sentence: str
    parts: tuple[Part, ...]
    brief: tuple[str, ...]
    sheets: tuple[tuple[str, ...], ...]
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
    """The notice of all these yards, at least one of them or a broken one, in their order; of many,
    the most pressing are told whole and the rest in a line each.

    beside:  by yard name, what is to be said besides the windows; a yard may be missing
    """
    others = beside or {}
    said = subject_of(answers, others) if answers else ""
    if circumstances.broken:
        said = "; ".join(filter(None, (said, _broken_in_short(circumstances.broken))))
    days = sorted({answer.today for answer in answers})
    if not days and circumstances.day is not None:
        days = [circumstances.day]
    dates = words.day_with_year(days[0])
    if len(days) > 1:
        dates = tr(
            "{first} or {last}, each yard's own date",
            first=words.day(days[0]),
            last=words.day_with_year(days[-1]),
        )
    whole, brief = many.parted(answers, others)
    short = many.short_subject(said)
    return Contents(
        subject=words.invented_subject(short) if circumstances.invented else short,
        opening=tuple(_opening(answers, circumstances)),
        invented=_invented(circumstances),
        dates=dates,
        sentence=tr("{sentence}.", sentence=said),
        parts=tuple(
            _part(
                answer,
                units,
                dated=len(days) > 1,
                spare_percent=circumstances.spare_percent,
                beside=others.get(answer.yard.name, NOTHING),
            )
            for answer in whole
        ),
        brief=tuple(many.brief(brief, others)),
        sheets=circumstances.sheets,
        cautions=tuple(_cautions(answers, others)),
        law=hive_lines.law(),
        sources=tuple(_sources(answers)),
        next=tr(
            "The next notice is due tomorrow at {time}. If none comes, something is broken: no"
            " notice is not an all-clear.",
            time=words.clock(circumstances.next_at),
        ),
    )


def _invented(circumstances: Circumstances) -> tuple[str, ...]:
    if not circumstances.invented:
        return ()
    season = SEASONS.get(circumstances.season)
    return (*tr(SAMPLE).splitlines(), *([tr(season)] if season else ()))


def laid_out(said: Contents) -> Notice:
    """The notice as plain text."""
    body = _template().render(
        opening=[wrapped(text) for text in (*said.opening, *said.invented)],
        date=said.dates,
        subject=wrapped(said.sentence),
        yards=["\n".join([*_headed(part.heading), *part.lines]) for part in said.parts],
        brief=[
            wrapped(line if number == 0 else f"- {line}") for number, line in enumerate(said.brief)
        ],
        sheets=["\n".join(lines) for lines in said.sheets],
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


def _broken_in_short(names: Sequence[str]) -> str:
    if len(names) <= MOST_NEWS:
        return tr("{yards}: windowcast failed", yards=words.listed(names))
    return trn(
        "windowcast failed over {count} yard", "windowcast failed over {count} yards", len(names)
    )


def _part(
    answer: YardAnswer, units: str, *, dated: bool, spare_percent: float, beside: Beside
) -> Part:
    """One yard's part of the notice; `dated`: its own date is told too."""
    lines: list[str] = []
    if dated:
        lines += labelled(tr("Today"), words.day(answer.today))
    lines += beside.first
    lines += shut_lines(shut_today(answer, beside))
    if beside.windows:
        lines += shut_before_lines(open_instead(answer) or answer.main)
        lines += taken_lines(open_instead(answer) or answer.main, beside.fixed)
        lines += _window_lines(
            answer,
            units,
            others=beside.others,
            others_can=not shut_today(answer, beside),
            spare_percent=spare_percent,
        )
    lines += beside.last
    if answer.forecast.missing and answer.forecast.sources:
        lines += labelled(tr("Missing"), reasons.missing(answer.forecast))
    shut = bool(shut_today(answer, beside))
    heading = at_yard(answer, beside.heading or headline(answer.main, answer, shut=shut))
    opened = beside.windows and answer.main.status is Status.OPEN
    return Part(
        yard=answer.yard.name,
        heading=heading,
        lines=tuple(lines),
        acts=bool(opened or beside.danger or beside.risk or beside.news or beside.today),
    )


def _headed(heading: str) -> list[str]:
    lines = textwrap.wrap(heading, WIDTH)
    return [*lines, "-" * max(map(len, lines))]


def _start(one: TreatmentAnswer, row: Row, units: str) -> list[str]:
    """The start that is named, and what its days are like."""
    named = tr(
        "{day}, {regimen} ({treatment})",
        day=words.day(row.day),
        regimen=words.regimen(row.start.regimen),
        treatment=words.treatment_plural(one.treatment),
    )
    return [
        *labelled(tr("Start"), named),
        *labelled(tr("Chance"), chance_words(row)),
        *labelled(tr("Hottest day"), _hottest(row, units)),
    ]


def _given(one: TreatmentAnswer, row: Row, answer: YardAnswer, spare_percent: float) -> list[str]:
    """How it is given, when to come back, and what it asks for at the hive."""
    regimen = row.start.regimen
    return [
        *_visits(one, answer, spare_percent),
        *hive_lines.at_the_hive(one.treatment, regimen, answer.yard.hive),
        *hive_lines.left_shut(one.treatment, regimen, one.visits),
    ]


def _window_lines(
    answer: YardAnswer, units: str, *, others: bool, others_can: bool, spare_percent: float
) -> list[str]:
    """When a treatment can be started, with which dose, and what that asks for.

    others:      also the treatments that are not the first choice, in a line each
    others_can:  hives can be opened today for one of them that the heading holds up
    """
    main = answer.main
    lines: list[str] = []
    row = main.named if main.status is not Status.UNKNOWN else None
    if row is not None:
        lines += _start(main, row, units)
    lines += labelled(tr("Why"), reasons.reason(main, answer.forecast, units))
    if row is None and main.status is Status.CLOSED and main.best is not None:
        lines += labelled(
            tr("Nearest"),
            tr(
                "{day}, {regimen}: {chance}",
                day=words.day(main.best.day),
                regimen=words.regimen(main.best.start.regimen),
                chance=chance_words(main.best),
            ),
        )
    if row is not None:
        lines += _given(main, row, answer, spare_percent)
    # What is held up in the heading is told with how it is given.
    instead = open_instead(answer) if others_can else None
    if instead is not None and instead.named is not None:
        lines += _start(instead, instead.named, units)
        lines += _given(instead, instead.named, answer, spare_percent)
    names = [words.treatment_plural(one.treatment) for one in answer.treatments]
    rest = [
        other_line(one, told_apart=names.count(words.treatment_plural(one.treatment)) > 1)
        for one in answer.treatments[1:]
    ]
    if rest and others:
        lines += labelled(tr("Others"), rest[0])
        for other in rest[1:]:
            lines += labelled("", other)
    return lines


def other_line(answer: TreatmentAnswer, *, told_apart: bool = False) -> str:
    """A treatment that is not the first choice, in one line; `told_apart`: with its id."""
    name = words.treatment_plural(answer.treatment)
    if told_apart:
        name += f" ({answer.treatment.id})"
    if answer.status is Status.UNKNOWN:
        return tr("{treatment}: not known", treatment=name)
    row = answer.named
    if row is None:
        best = answer.best
        if best is None or best.start.chance is None:
            return tr("{treatment}: no start", treatment=name)
        return tr(
            "{treatment}: no start (at best {percent} on {day})",
            treatment=name,
            percent=words.percent(best.start.chance.value),
            day=words.day(best.day),
        )
    if row.start.chance is None:
        text = tr("{treatment}: {day}", treatment=name, day=words.day(row.day))
    else:
        text = tr(
            "{treatment}: {day}, {percent}",
            treatment=name,
            day=words.day(row.day),
            percent=words.percent(row.start.chance.value),
        )
    return "; ".join([text, *(reasons.in_short(one) for one in answer.blocked)])


def _opening(answers: Sequence[YardAnswer], circumstances: Circumstances) -> list[str]:
    """What must be said before anything else."""
    unknown = [answer for answer in answers if answer.main.status is Status.UNKNOWN]
    by_cause: dict[str, list[str]] = {}
    for answer in unknown:
        cause = OLD if answer.forecast.stale else SHORT
        if not answer.forecast.sources:
            cause = NONE
        by_cause.setdefault(cause, []).append(answer.yard.name)
    found = [tr(cause, yards=_few(names)) for cause, names in by_cause.items()]
    if circumstances.broken:
        found.append(
            tr(
                "Nothing can be said of {yards}: windowcast failed over it. That is no all-clear:"
                " look at these hives yourself, and tell whoever keeps windowcast, whose log has"
                " the reason.",
                yards=_few(circumstances.broken),
            )
        )
    if circumstances.late is not None:
        due = words.clock(circumstances.late)
        found.append(tr("This notice is late: it was due at {time}.", time=due))
    return found


def _few(names: Sequence[str]) -> str:
    if len(names) <= many.MOST_WHOLE:
        return words.listed(names)
    return words.yards(len(names))


def _visits(answer: TreatmentAnswer, yard: YardAnswer, spare_percent: float) -> list[str]:
    lines: list[str] = []
    for visit, right in zip(answer.visits, _right_days(answer), strict=False):
        text = visit_words(
            visit,
            yard.yard.colonies,
            treatment=answer.treatment,
            hive=yard.yard.hive,
            spare_percent=spare_percent,
        )
        if visit.day != right:
            moved = tr("its right day is {day}", day=words.day(right))
            text = f"{text}; {moved}"
        lines += labelled("" if lines else tr("Visits"), text)
    return lines


def _right_days(answer: TreatmentAnswer) -> list[date]:
    """Of its visits; of some the day is taken, so that they are told on another, and what follows
    on a fresh dose is counted from there."""
    if answer.named is None:
        return []
    start, found, by = answer.named, [], timedelta(0)
    given = visits(start.start.regimen, start=start.day, colonies=1)
    for visit, told in zip(given, answer.visits, strict=False):
        found.append(visit.day + by)
        if visit.task is Task.SWAP:
            by = told.day - visit.day
    return found


def _hottest(row: Row, units: str) -> str:
    fit, start = row.start.fit, row.start
    parts = []
    if fit.hottest_day is not None and fit.hottest_c is not None:
        day, high = words.day(fit.hottest_day), words.degrees(fit.hottest_c, units)
        whole = start.regimen.exposure_days
        if fit.days >= whole:
            parts.append(tr("{day}, {degrees} forecast", day=day, degrees=high))
        else:
            parts.append(
                trn(
                    "{day}, {degrees} forecast (covers {covered} of {count} day)",
                    "{day}, {degrees} forecast (covers {covered} of {count} days)",
                    whole,
                    day=day,
                    degrees=high,
                    covered=fit.days,
                )
            )
    if start.hottest_c is not None:
        parts.append(
            tr(
                "{degrees} over the exposure (middle of the scenarios)",
                degrees=words.degrees(start.hottest_c, units),
            )
        )
    return "; ".join(parts) or tr("not known")


def _cautions(answers: Sequence[YardAnswer], beside: Mapping[str, Beside]) -> list[str]:
    """One caution for each active that this notice holds up a start of, or tells to handle.

    Where a yard's first choice has a start, the others are named in a line without a dose: their
    cautions come with them once they are the choice.
    """
    actives = dict.fromkeys(
        one.treatment.active
        for answer in answers
        if beside.get(answer.yard.name, NOTHING).windows
        for one in _held_up(answer, beside.get(answer.yard.name, NOTHING))
        if one.named is not None and one.status is not Status.UNKNOWN
    )
    shown = [beside.get(answer.yard.name, NOTHING) for answer in answers]
    actives |= dict.fromkeys(active for one in shown for active in one.actives)
    return hive_lines.cautions(actives)


def _held_up(answer: YardAnswer, beside: Beside) -> Sequence[TreatmentAnswer]:
    """The first choice where it has a start and nothing is told instead of it; else all."""
    return [answer.main] if answer.main.named is not None and beside.others else answer.treatments


def _sources(answers: Sequence[YardAnswer]) -> list[str]:
    """Age and origin of the forecasts, one line for each that differs."""
    licences = dict.fromkeys(licence_line(answer) for answer in answers)
    return [line for line in (*source_lines(answers), *licences) if line]


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
