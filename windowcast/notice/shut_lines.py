"""That hives should stay shut on a day on which a start is named, and why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from windowcast.crew.held_back import kept_back
from windowcast.language import tr
from windowcast.notice import words
from windowcast.notice.beside import Beside
from windowcast.notice.plain import labelled, open_instead
from windowcast.trade.workable import FRAMES_STAY, HINDRANCES, Hindrance
from windowcast.window.decide import Status, TreatmentAnswer, YardAnswer

MOST_DAYS = 3


def against(
    answer: TreatmentAnswer, today: date, shut: Sequence[Hindrance]
) -> tuple[Hindrance, ...]:
    """What keeps hives shut today where this treatment's start is named for today; none: nothing
    does, or it is not.

    Where no frame is taken out no cold keeps it back but that of its own band (`rules_for`), and of
    a day outside the band no start is named.
    """
    named = answer.named
    if named is None or named.day != today or answer.status not in (Status.OPEN, Status.BLOCKED):
        return ()
    closed = answer.treatment.form in FRAMES_STAY
    return tuple(one for one in shut if not (closed and one is Hindrance.COLD))


def shut_today(answer: YardAnswer, beside: Beside) -> tuple[Hindrance, ...]:
    """`against` the start that a yard is told of; none where it is told of no start."""
    if not beside.windows:
        return ()
    return against(open_instead(answer) or answer.main, answer.today, beside.shut)


def shut_lines(reasons: Sequence[Hindrance]) -> list[str]:
    """Why hives should stay shut today; no lines for no reasons."""
    if not reasons:
        return []
    return labelled(
        tr("Bad day"),
        tr(
            "today is {reasons} to open hives (`[work]`): start on another day",
            reasons=words.listed([tr(HINDRANCES[one]) for one in reasons]),
        ),
    )


def shut_before_lines(answer: TreatmentAnswer) -> list[str]:
    """The days before the named start that would do but for hives that stay shut, the first few."""
    days: dict[date, tuple[Hindrance, ...]] = {}
    for row in kept_back(answer):
        if row.shut and not row.taken:
            days.setdefault(row.day, row.shut)
    lines: list[str] = []
    for day, reasons in list(days.items())[:MOST_DAYS]:
        lines += labelled("" if lines else tr("Bad day"), shut_words(day, reasons))
    return lines


def shut_words(day: date, reasons: Sequence[Hindrance]) -> str:
    """ "Fri Nov 27 is too wet to open hives (`[work]`)"."""
    return tr(
        "{day} is {reasons} to open hives (`[work]`)",
        day=words.day(day),
        reasons=words.listed([tr(HINDRANCES[one]) for one in reasons]),
    )
