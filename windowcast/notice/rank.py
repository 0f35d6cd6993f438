"""What a yard asks for today: the one order of yards in the notice, its subject and on the page."""

from __future__ import annotations

from enum import IntEnum

from windowcast.notice.beside import Beside
from windowcast.notice.plain import open_instead
from windowcast.notice.shut_lines import shut_today
from windowcast.window.decide import Status, YardAnswer

SOON_DAYS = 7
"""A start or a visit within so many days is soon; visits that come later stand in
`windowcast visits` and not in a notice."""


class Rank(IntEnum):
    """The most pressing first.

    DANGER:   heat threatens what is in
    RISK:     the weather does not fit what is in, without such danger
    CHANGED:  somebody was told otherwise
    READY:    a start of today is allowed once the hives are made ready
    """

    DANGER = 0
    RISK = 1
    CHANGED = 2
    VISIT = 3
    OPEN = 4
    READY = 5
    DUE = 6
    CHOOSE = 7
    SOON = 8
    UNKNOWN = 9
    REST = 10


def rank_of(answer: YardAnswer, beside: Beside) -> Rank:
    """What one yard asks for, the most pressing of it."""
    main = answer.main
    pressing = (
        (beside.danger, Rank.DANGER),
        (beside.risk, Rank.RISK),
        (beside.news, Rank.CHANGED),
        (beside.today, Rank.VISIT),
        (main.status is Status.UNKNOWN, Rank.UNKNOWN),
    )
    found = next((rank for asks, rank in pressing if asks), None)
    if found is not None:
        return found
    later = Rank.SOON if beside.soon else Rank.REST
    if not beside.windows or beside.done:
        return later
    named = main.named
    shut = bool(shut_today(answer, beside))
    if main.status is Status.OPEN and not shut:
        return Rank.OPEN
    if main.status is Status.BLOCKED and not shut and named and named.day == answer.today:
        return Rank.READY
    if beside.due:
        return Rank.DUE
    if beside.choices or open_instead(answer) is not None:
        return Rank.CHOOSE
    if named is not None and (named.day - answer.today).days <= SOON_DAYS:
        return Rank.SOON
    return later
