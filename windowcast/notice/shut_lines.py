"""That hives should stay shut on a day on which a start is named, and why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from windowcast.language import marked, tr
from windowcast.notice import words
from windowcast.notice.beside import Beside
from windowcast.notice.plain import labelled, open_instead
from windowcast.trade.workable import Hindrance
from windowcast.window.decide import Status, TreatmentAnswer, YardAnswer

HINDRANCES = {
    Hindrance.COLD: marked("too cold"),
    Hindrance.WET: marked("too wet"),
    Hindrance.WINDY: marked("too windy"),
}


def against(
    answer: TreatmentAnswer, today: date, shut: Sequence[Hindrance]
) -> tuple[Hindrance, ...]:
    """What keeps hives shut today where this treatment's start is named for today; none: nothing
    does, or it is not.

    What is given to colonies without brood is given in winter, to the cluster: no cold keeps it
    back but that of its own band.
    """
    named = answer.named
    if named is None or named.day != today or answer.status not in (Status.OPEN, Status.BLOCKED):
        return ()
    winter = answer.treatment.needs_broodless
    return tuple(one for one in shut if not (winter and one is Hindrance.COLD))


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
