"""Treatments as they happened: what was put in, what was done since, and what is still to do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any, NamedTuple

from windowcast.trade.journal import Entry, in_force, standing_for
from windowcast.trade.treatment import (
    DOSE_SLACK,
    REMOVAL_LATE_DAYS,
    Band,
    Dose,
    Phase,
    Regimen,
    Slack,
    Treatment,
)
from windowcast.trade.visits import Task, Visit


class Course(NamedTuple):
    """One treatment of one yard, from its start.

    entry:      of the start; a corrected one as it now stands
    treatment,  as they were when it began: dates do not move because a file is edited later
    regimen:
    colonies:   treated
    swaps:      entries of the later doses, by day
    removed:    entry of the removal; None: not yet, or nothing to take out
    notes:      entries of notes about it, by day
    today:      what is still to be done is done on this day at the earliest (`by`); None: on the
                day that is right for it, also where that has passed
    listed:     the days of the visits ahead, in their order, where people come on others than the
                right ones (`on`); (): on the right ones
    """

    entry: Entry
    treatment: Treatment
    regimen: Regimen
    colonies: int
    swaps: tuple[Entry, ...] = ()
    removed: Entry | None = None
    notes: tuple[Entry, ...] = ()
    today: date | None = None
    listed: tuple[date, ...] = ()

    @property
    def yard(self) -> str:
        return self.entry.yard

    @property
    def start(self) -> date:
        return self.entry.day

    @property
    def dosed(self) -> tuple[date, ...]:
        """The days on which doses went in so far, the start first."""
        return (self.start, *(swap.day for swap in self.swaps))

    @property
    def dose_days(self) -> tuple[date, ...]:
        """Of doses given, and of those still to be given."""
        if self.removed is not None:
            return self.dosed
        return (*self.dosed, *(day for day, _ in self._given_and_to_come()[1:]))

    @property
    def end(self) -> date:
        """The day after the exposure: the removal where there is one, as done or as planned.

        A swap that came late or early moves the planned end with it, and so does one that is late.
        """
        if self.removed is not None:
            return self.removed.day
        if self.listed and self.regimen.removed:
            return self.listed[-1]
        return self._not_before_today(self._worked) if self.regimen.removed else self._worked

    @property
    def _worked(self) -> date:
        """The day after the exposure, by the doses alone."""
        day, last = self._given_and_to_come()[-1]
        return day + timedelta(days=self.regimen.exposure_days - last.day)

    def by(self, today: date | None) -> Course:
        """The same, with what is overdue done on `today`; None: with what is late on the day on
        which it was due. What is over stays as it was."""
        over = today is not None and self.finished(today)
        return self._replace(today=None if over else today, listed=())

    def seen(self, today: date) -> Course:
        """`by` today, but as it is where it is seen by a day already."""
        return self if self.today is not None else self.by(today)

    def on(self, days: Sequence[date]) -> Course:
        """The same, with the visits ahead on these days, as many as there are in `ahead`."""
        if len(days) != len(self.ahead()):
            raise ValueError(f"{len(days)} days for {len(self.ahead())} visits ahead")
        return self._replace(listed=tuple(days))

    @property
    def lapsed(self) -> bool:
        """A dose was never given, and by the day that it is seen `by` more than the whole exposure
        has passed, counted from the last one that was: what is in comes out. A fresh dose would
        begin a new treatment."""
        if self.today is None or self.removed is not None or not self.regimen.removed:
            return False
        own = self.by(None)
        return len(own.ahead()) > 1 and own.end < self.today

    @property
    def whole_days(self) -> int:
        """How long it is in from its start to its end, by its doses as they were given and as they
        can be now; the days after that, until it is taken out, are not among them."""
        own = self.by(None) if self.late is Task.REMOVE else self
        end = own._worked if self.listed else own.end
        return (end - self.start).days

    @property
    def late(self) -> Task | None:
        """What should have been done before the day that it is seen `by`; None: nothing."""
        if self.lapsed:
            return Task.REMOVE
        visits = self.by(None).ahead()
        return visits[0].task if visits and self.today and visits[0].day < self.today else None

    def finished(self, today: date) -> bool:
        """Whether nothing is in the hives any more on `today`.

        Strips stay in until somebody notes that they came out, however long ago that was due.
        """
        if self.regimen.removed:
            return self.removed is not None and self.removed.day <= today
        return self.by(None).end <= today

    def ahead(self) -> tuple[Visit, ...]:
        """The visits still to be made, in date order: doses not given yet, then the removal."""
        if self.removed is not None:
            return ()
        found = [self._visit(day, Task.SWAP, dose) for day, dose in self._given_and_to_come()[1:]]
        if self.regimen.removed:
            _, last = self._given_and_to_come()[-1]
            found.append(self._visit(self.end, Task.REMOVE, last))
        return tuple(found)

    def due(self) -> tuple[Visit, ...]:
        """As `ahead`, but the next one on the day that was right for it, however late it is; where
        they are listed on other days, each on the right one after that of the visit before."""
        if self.lapsed:
            return tuple(one._replace(day=self.by(None).end) for one in self.ahead())
        if not self.listed:
            return (*self.by(None).ahead()[:1], *self.ahead()[1:])
        doses = self.regimen.doses[min(len(self.swaps), len(self.regimen.doses) - 1) :]
        days = [one.day for one in doses] + [self.regimen.exposure_days]
        before = (self.dosed[-1], *self.listed)
        return tuple(
            visit._replace(day=before[number] + timedelta(days=days[number + 1] - days[number]))
            for number, visit in enumerate(self.ahead())
        )

    def _given_and_to_come(self) -> list[tuple[date, Dose]]:
        """The last dose that was given, and those still to be given, each with its day."""
        doses = self.regimen.doses[min(len(self.swaps), len(self.regimen.doses) - 1) :]
        found = [(self.dosed[-1], doses[0])]
        if self.lapsed:
            return found
        for number, (before, dose) in enumerate(pairwise(doses)):
            right = found[-1][0] + timedelta(days=dose.day - before.day)
            day = self.listed[number] if self.listed else self._not_before_today(right)
            found.append((day, dose))
        return found

    def _not_before_today(self, day: date) -> date:
        return day if self.today is None else max(day, self.today)

    def _visit(self, day: date, task: Task, dose: Dose) -> Visit:
        return Visit(
            day=day,
            task=task,
            dose=dose,
            strips_per_colony=dose.strips,
            strips=None if dose.strips is None else dose.strips * self.colonies,
        )

    @property
    def supers_on(self) -> date:
        """The first day on which honey supers may go back on, counted from the removal."""
        return self.end + timedelta(days=self.treatment.supers_after_days)

    @property
    def honey_from(self) -> date:
        """The first day on which honey may be taken, counted from the removal."""
        return self.end + timedelta(days=self.treatment.honey_days)


def courses(entries: Iterable[Entry]) -> tuple[Course, ...]:
    """The treatments of the yards whose entries are given, by start."""
    every = list(entries)
    stands = standing_for(every)
    found: dict[int, Course] = {}
    counted = in_force(every)
    for entry in counted:
        if entry.kind == "start":
            treatment, regimen = from_snapshot(entry.body["snapshot"])
            found[entry.id] = Course(
                entry=entry,
                treatment=treatment,
                regimen=regimen,
                colonies=entry.body["colonies"],
            )
    for entry in counted:
        begun = stands.get(entry.body.get("start") or 0)
        course = None if begun is None else found.get(begun)
        if begun is None or course is None:
            continue
        if entry.kind == "swap":
            found[begun] = course._replace(swaps=(*course.swaps, entry))
        elif entry.kind == "remove":
            found[begun] = course._replace(removed=entry)
        elif entry.kind == "note":
            found[begun] = course._replace(notes=(*course.notes, entry))
    return tuple(sorted(found.values(), key=lambda one: (one.start, one.entry.id)))


def in_hand(known: Sequence[Course], today: date) -> Course | None:
    """The treatment that is in the hives of a yard, with what is overdue done on `today`."""
    return next((one.by(today) for one in reversed(known) if not one.finished(today)), None)


def snapshot(treatment: Treatment, regimen: Regimen) -> dict[str, Any]:
    """A treatment in one regimen as JSON allows; bounds as exact fractions in text."""
    found = treatment._asdict()
    del found["regimens"]
    found["danger_c"] = _text(treatment.danger_c)
    return found | {
        "regimen": {
            "id": regimen.id,
            "exposure_days": regimen.exposure_days,
            "doses": [
                {key: value for key, value in dose._asdict().items() if value is not None}
                for dose in regimen.doses
            ],
            "band": [_text(bound) for bound in regimen.band],
            "phases": [
                [phase.first_day, phase.last_day, *(_text(bound) for bound in phase.band)]
                for phase in regimen.phases
            ],
            "cool_only_c": _text(regimen.cool_only_c),
            "dose_slack": list(regimen.dose_slack),
            "removal_late_days": regimen.removal_late_days,
        }
    }


def from_snapshot(kept: Mapping[str, Any]) -> tuple[Treatment, Regimen]:
    """The treatment and the regimen that `snapshot` kept; the treatment has that one regimen."""
    table = dict(kept["regimen"])
    regimen = Regimen(
        id=table["id"],
        exposure_days=table["exposure_days"],
        doses=tuple(Dose(**dose) for dose in table["doses"]),
        band=Band(*map(_bound, table["band"])),
        phases=tuple(
            Phase(first, last, Band(_bound(low), _bound(high)))
            for first, last, low, high in table["phases"]
        ),
        cool_only_c=_bound(table["cool_only_c"]),
        dose_slack=Slack(*table.get("dose_slack", DOSE_SLACK)),
        removal_late_days=table.get("removal_late_days", REMOVAL_LATE_DAYS),
    )
    # A field that a later version has added is at its default in an older entry, and one that a
    # later version has dropped is passed over.
    known = {key: kept[key] for key in Treatment._fields if key in kept and key != "regimens"}
    known["danger_c"] = _bound(kept["danger_c"])
    for key in ("efficacy_percent", "efficacy_with_brood_percent"):
        if known.get(key) is not None:
            known[key] = tuple(known[key])
    return Treatment(**known, regimens=(regimen,)), regimen


def _text(bound: Fraction | None) -> str | None:
    return None if bound is None else str(bound)


def _bound(text: str | None) -> Fraction | None:
    return None if text is None else Fraction(text)
