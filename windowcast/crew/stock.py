"""What is in stock: strips as counted and delivered, less what the journal has put in since."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import NamedTuple

from windowcast.crew.instance import Stock
from windowcast.crew.settings import StockRow
from windowcast.trade.bring import with_spare
from windowcast.trade.course import Course


class Held(NamedTuple):
    """The strips of one treatment that are there today.

    rows:     what was counted; 0 where there are only deliveries
    came:     delivered since, up to today
    since:    the day from whose morning on the journal counts; None: nobody says when the strips
              were counted, so that `rows` and `came` are taken as there today
    used:     put in on or after that day, with the spare that is loaded for each visit
    entered:  put in by entries that came after crews.toml was written, with that spare; only where
              `since` is None
    """

    treatment: str
    rows: int
    came: int
    since: date | None
    used: int
    entered: int

    @property
    def left(self) -> int:
        """What can still be loaded."""
        return max(0, self.rows + self.came - self.used)


class _Used(NamedTuple):
    treatment: str
    day: date
    noted_at: datetime
    strips: int


def held(
    rows: Sequence[StockRow],
    known: Iterable[Course],
    *,
    today: date,
    spare_percent: float,
    written: datetime | None,
) -> tuple[Held, ...]:
    """What is there today, by treatment in the order of the rows.

    known:    the treatments of all yards
    written:  when crews.toml was last written; None: not known
    """
    put_in = [one for course in known for one in _used(course, spare_percent)]
    found = []
    for treatment in dict.fromkeys(row.treatment for row in rows):
        mine = [row for row in rows if row.treatment == treatment]
        there = [row for row in mine if row.on is None]
        days = [row.counted if row.on is None else row.on for row in (there or mine)]
        # Nothing was there before the first delivery, where no row says that something was.
        since = None if None in days else min(day for day in days if day is not None)
        came = sum(
            row.strips
            for row in mine
            if row.on is not None and row.on <= today and (since is None or row.on >= since)
        )
        used = [one for one in put_in if one.treatment == treatment]
        found.append(
            Held(
                treatment=treatment,
                rows=sum(row.strips for row in there),
                came=came,
                since=since,
                used=0 if since is None else sum(one.strips for one in used if one.day >= since),
                entered=sum(one.strips for one in used if one.noted_at > written)
                if since is None and written is not None
                else 0,
            )
        )
    return tuple(found)


def stock(
    rows: Sequence[StockRow], there: Iterable[Held], *, first: date, today: date
) -> tuple[Stock, ...]:
    """The same as the plan that begins on `first` wants it, with the deliveries ahead."""
    found = []
    for one in there:
        arrivals = {0: one.left}
        for row in rows:
            if row.treatment == one.treatment and row.on is not None and row.on > today:
                day = max(0, (row.on - first).days)
                arrivals[day] = arrivals.get(day, 0) + row.strips
        found.append(Stock(one.treatment, tuple(sorted(arrivals.items()))))
    return tuple(found)


def _used(course: Course, spare_percent: float) -> list[_Used]:
    """The strips of each dose that went in."""
    found = []
    entries = (course.entry, *course.swaps)
    for entry, dose in zip(entries, course.regimen.doses, strict=False):
        if dose.strips:
            colonies = entry.body.get("colonies")
            strips = dose.strips * (course.colonies if colonies is None else colonies)
            strips = with_spare(strips, spare_percent)
            found.append(_Used(course.treatment.id, entry.day, entry.noted_at, strips))
    return found
