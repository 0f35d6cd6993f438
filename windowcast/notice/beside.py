"""What stands in a notice beside the windows of a yard: what is in its hives, when it is due, and
what is to be done next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from windowcast.trade.workable import Hindrance

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow


class Beside(NamedTuple):
    """Everything that one yard's part of a notice says besides windows; all empty: nothing is due.

    heading:   in place of the windows' headline; "": a treatment may be started, the windows' stays
    news:      for the subject, what has changed since the last notice: "opened, start today"
    danger:    for the subject, before all else: "strips in danger, Thu Aug 20"
    risk:      for the subject: that the weather does not fit what is in: "strips outside the band,
               Thu Aug 20"
    today:     for the subject: what is to be done at the yard today
    due:       nothing is in, and the last day to start is behind or the threshold reached
    done:      the season's treatment has been given
    soon:      a visit, a count or the last day to start is within a week
    choices:   so many other treatments there are to choose from, where the first has no start in
               time
    first:     lines before the windows, of at most 78 columns
    last:      lines after them
    actives:   that these lines tell somebody to handle, for the cautions
    why:       why no start is named, where one is not; "": a treatment is in
    shut:      what keeps hives shut today by `[work]`, whatever the windows say
    fixed:     days of the yard that something else has taken
    others:    whether the other treatments are told in a line each; not where these lines do so
    document:  the same for programs, to be merged into the answer's document
    """

    heading: str = ""
    news: str = ""
    danger: str = ""
    risk: str = ""
    today: str = ""
    due: bool = False
    done: bool = False
    soon: bool = False
    choices: int = 0
    first: tuple[str, ...] = ()
    last: tuple[str, ...] = ()
    actives: tuple[str, ...] = ()
    why: str = ""
    shut: tuple[Hindrance, ...] = ()
    fixed: tuple[FixedRow, ...] = ()
    others: bool = True
    document: Mapping[str, Any] = {}

    @property
    def windows(self) -> bool:
        """Whether starts are named: not while a treatment is in, nor before it can be judged."""
        return not self.heading


NOTHING = Beside()
