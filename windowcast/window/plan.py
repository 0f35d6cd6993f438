"""When a yard is due and when the weather lets it start, laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from windowcast.trade.course import Course
from windowcast.trade.due import Cause, Due, StartBy, State, starts_by
from windowcast.trade.treatment import Treatment
from windowcast.window.choice import Option, Span, looked_until, options, starts_in_time
from windowcast.window.decide import Status, TreatmentAnswer


class Timing(NamedTuple):
    """The days to start, and what else there is where there are none.

    main:          the first treatment that the brood allows: the one that `span` is of
    span:          the first run of days on which a start is named and in time; where the last day
                   to start is behind, simply the first run; None: none is
    late:          where none is in time, the first run of days that is not; None: none is
    looked_until:  the last start day of it that the forecast lets be judged; None: none is
    unseen:        nothing is named, and the last day to start lies behind `looked_until`: what the
                   days between will be nobody knows, so that this is no verdict; or the forecast is
                   stale
    starts_by:     the last days to start, of every regimen
    options:       all of the yard's treatments, the first too, in the user's order; empty where
                   nothing is due
    """

    main: Treatment
    span: Span | None
    late: Span | None
    looked_until: date | None
    unseen: bool
    starts_by: tuple[StartBy, ...]
    options: tuple[Option, ...]

    @property
    def instead(self) -> tuple[Option, ...]:
        """The other treatments, where the first has no start in time and none can still turn up:
        while days are left that nobody can judge yet, there is no need of anything else."""
        if self.span is not None or self.unseen:
            return ()
        return tuple(one for one in self.options if one.treatment != self.main)


def timing(
    due: Due,
    answers: Sequence[TreatmentAnswer],
    *,
    courses: Sequence[Course],
    today: date,
    broodless: bool = False,
) -> Timing:
    """What follows for a yard of being due and of its weather.

    answers:    of its treatments, at least one, in the user's order
    broodless:  somebody has looked and found no capped brood
    """
    by = due.by if due.cause is Cause.COUNTS and not due.lifted else None
    found = options(
        answers, courses=courses, end_by=due.end_by, by=by, today=today, broodless=broodless
    )
    place = next((number for number, one in enumerate(found) if not one.with_brood), 0)
    main = answers[place]
    # The rows of a stale forecast are there, and nothing is judged by them.
    untold = main.status is Status.UNKNOWN and bool(main.rows)
    seen = None if untold else looked_until(main)
    limits = starts_by(due, [one.treatment for one in answers])
    if due.state in (State.QUIET, State.DONE):
        return Timing(main.treatment, None, None, seen, False, limits, ())
    ready = found[place].ready
    end_by = None if due.lifted else due.end_by
    span = starts_in_time(main, end_by=end_by, by=by, not_before=ready)
    late = None
    if span is None:
        late = starts_in_time(main, end_by=None, by=None, not_before=ready)
    return Timing(
        main=main.treatment,
        span=span,
        late=late,
        looked_until=seen,
        unseen=span is None
        and late is None
        and (untold or (seen is not None and due.by is not None and due.by > seen)),
        starts_by=limits,
        options=found,
    )
