"""A notice about more yards than anybody reads in full: the most pressing whole, the rest in a
line each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.beside import NOTHING, Beside
from windowcast.notice.plain import headline
from windowcast.notice.rank import rank_of
from windowcast.notice.shut_lines import shut_today
from windowcast.window.decide import Status, YardAnswer

MOST_WHOLE = 40
"""With so many yards whole and hundreds in a line a notice stays below the 100 kB at which mail
programs begin to cut what they show (common practice, no source)."""
LONGEST_SUBJECT = 150
_AFTER_WORK = (
    Status.OPEN,
    Status.UNKNOWN,
    Status.BLOCKED,
    Status.LATER,
    Status.CLOSED,
)


def parted(
    answers: Sequence[YardAnswer], beside: Mapping[str, Beside]
) -> tuple[list[YardAnswer], list[YardAnswer]]:
    """The yards to tell whole, and those to tell in a line each.

    The most pressing come first, by `rank_of`; those as pressing as each other as they come. Up to
    MOST_WHOLE yards are all told whole. Of more, the rest goes by its windows.
    """

    def rank(one: YardAnswer) -> tuple[int, int]:
        others = beside.get(one.yard.name, NOTHING)
        return rank_of(one, others), _by_window(one, others) if len(answers) > MOST_WHOLE else 0

    ordered = sorted(answers, key=rank)
    return ordered[:MOST_WHOLE], ordered[MOST_WHOLE:]


def _by_window(answer: YardAnswer, beside: Beside) -> int:
    # What has a treatment in and asks for nothing comes after what somebody could begin.
    return _AFTER_WORK.index(answer.main.status) if beside.windows else len(_AFTER_WORK)


def brief(answers: Sequence[YardAnswer], beside: Mapping[str, Beside]) -> list[str]:
    """What leads to the yards that are told in a line each, and these lines; nothing for none."""
    if not answers:
        return []
    lead = trn(
        "{count} more yard, in short; `windowcast yard NAME` shows all of it:",
        "{count} more yards, in short, the most pressing first; `windowcast yard NAME` shows all"
        " of one:",
        len(answers),
    )
    return [lead, *(_brief(one, beside.get(one.yard.name, NOTHING)) for one in answers)]


def _brief(answer: YardAnswer, beside: Beside) -> str:
    pressing = "; ".join(filter(None, (beside.danger, beside.risk, beside.news, beside.today)))
    shut = bool(shut_today(answer, beside))
    what = beside.heading or headline(answer.main, answer, shut=shut)
    if pressing:
        return tr("{yard}: {news}; {state}", yard=answer.yard.name, news=pressing, state=what)
    named = answer.main.named if beside.windows else None
    if named is None or named.start.chance is None or answer.main.status is Status.UNKNOWN:
        return tr("{yard}: {state}", yard=answer.yard.name, state=what)
    return tr(
        "{yard}: {state}, {chance}",
        yard=answer.yard.name,
        state=what,
        chance=words.percent(named.start.chance.value),
    )


def short_subject(text: str) -> str:
    """A subject that people still read as one: cut between its parts, or else between words."""
    if len(text) <= LONGEST_SUBJECT:
        return text
    for end in ("; ", " "):
        kept, found, _ = text[: LONGEST_SUBJECT - 1].rpartition(end)
        if found and kept:
            return f"{kept}{'; …' if end == '; ' else ' …'}"
    return text
