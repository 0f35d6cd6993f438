"""What the page of the crews shows: the day sheets of the plan that was promised, from today on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.language import tr, trn
from windowcast.notice import (
    crew_lines,
    hive_lines,
    page_views,
    plan_lines,
    visit_lines,
    words,
)
from windowcast.notice.page_views import (
    CrewPart,
    CrewSheet,
    CrewsPage,
    CrewStep,
    CrewTask,
    Row,
)
from windowcast.pages import DAYS_SHOWN, Look, sources_of
from windowcast.trade.bring import Load, Protection
from windowcast.trade.treatment import Treatment
from windowcast.trade.work import Job, Kind

DOSED = (Kind.APPLY, Kind.SWAP, Kind.REMOVE)
"""What has its one right day."""


def crews_page(
    configuration: Configuration,
    store: Store,
    looks: Sequence[Look],
    *,
    pending: int,
    now: datetime,
) -> CrewsPage:
    """Each crew's sheets of the next days, as they were promised last.

    What is done at a yard is in the words of the promise; the rest is in the reader's.
    looks:    at the yards, for what is said today of starts that are on a sheet of today
    pending:  yards that have not been looked at yet
    """
    zones = {ZoneInfo(yard.timezone) for yard in configuration.yards}
    first = min(now.astimezone(zone).date() for zone in zones)
    last = first + timedelta(days=DAYS_SHOWN - 1)
    kept = store.promised_plan()
    sheets = [] if kept is None else kept.document.get("sheets", [])
    shown = [one for one in sheets if first <= date.fromisoformat(one["date"]) <= last]
    later = sum(date.fromisoformat(one["date"]) > last for one in sheets)
    made = _Made(configuration, {look.row.name: look.row for look in looks}, first)
    crews: dict[str, list[CrewSheet]] = {}
    # Whoever drives first stands first.
    for one in sorted(shown, key=lambda one: (one["date"], one["leave"], one["crew"].casefold())):
        crews.setdefault(one["crew"], []).append(made.sheet(one))
    used = list(dict.fromkeys(id_ for one in shown for id_ in made.ids(one)))
    zone = ZoneInfo(configuration.yards[0].timezone)
    return CrewsPage(
        span=words.span(first, last),
        promised=""
        if kept is None
        else tr(
            "As promised on {day}",
            day=words.day_with_year(kept.promised_at.astimezone(zone).date()),
        ),
        solved=""
        if kept is None or "solved" not in kept.document
        else plan_lines.solved_again(kept.document["solved"]),
        crews=tuple(CrewPart(name, tuple(each)) for name, each in crews.items()),
        later=trn(
            "{count} sheet of a later day is promised; windowcast plan --as-promised shows it.",
            "{count} sheets of later days are promised; windowcast plan --as-promised shows them.",
            later,
        )
        if later
        else "",
        cautions=tuple(made.cautions(used)),
        law=hive_lines.law(),
        planned=tr(visit_lines.PLANNED) if shown else "",
        sources=tuple(sources_of(looks)) if shown else (),
        invented=configuration.weather.provider == "sample",
        pending=pending,
    )


class _Made:
    """Sheets as they are kept to what is shown of them.

    rows:   what is said of each yard today
    today:  that of the first yard whose day is
    """

    def __init__(self, configuration: Configuration, rows: Mapping[str, Row], today: date) -> None:
        self._treatments = {one.id: one for one in configuration.treatments}
        # A yard that is no more has no page.
        self._slugs = {yard.name: page_views.slug(yard.name) for yard in configuration.yards}
        self._rows, self._today = rows, today

    def sheet(self, kept: Mapping[str, Any]) -> CrewSheet:
        calls, day = kept["calls"], date.fromisoformat(kept["date"])
        title = tr(
            "{day}, {crew} ({people}): {yards}",
            day=words.day(day),
            crew=kept["crew"],
            people=trn("{count} person", "{count} people", kept["people"]),
            yards=words.yards(len(calls)),
        )
        worn = [Protection(one) for one in kept["wear"]]
        return CrewSheet(
            title=title,
            load=tuple(self._load(one) for one in kept["load"]),
            wear=crew_lines.wear_words(worn),
            steps=tuple(self._steps(kept, today=day == self._today)),
            cautions=tuple(self.cautions(self.ids(kept))),
        )

    def _load(self, kept: Mapping[str, Any]) -> str:
        return tr(
            "{amount}: {treatment}",
            amount=visit_lines.load_words(_load_of(kept)),
            treatment=self._name(kept["treatment"]),
        )

    def _name(self, treatment: str) -> str:
        known = self._treatments.get(treatment)
        return treatment if known is None else words.treatment_plural(known)

    def ids(self, kept: Mapping[str, Any]) -> list[str]:
        """The treatments that are handled on a sheet."""
        return [
            job["treatment"]
            for call in kept["calls"]
            for job in call["visits"]
            if job["treatment"] is not None and job["wear"]
        ]

    def cautions(self, ids: Sequence[str]) -> list[str]:
        known: list[Treatment] = [self._treatments[one] for one in ids if one in self._treatments]
        return visit_lines.cautions(known)

    def _steps(self, kept: Mapping[str, Any], *, today: bool) -> list[CrewStep]:
        """A day from leaving to being back, in the order in which it comes."""
        left = _minutes(kept["leave"])
        found = [_step(kept["leave"], tr("leave"))]
        rest = kept["break_at"]
        for number, call in enumerate(kept["calls"], start=1):
            # A day may go past midnight, so that hours are compared by what has passed since.
            if rest is not None and (_minutes(rest) - left) % 1440 < (
                (_minutes(call["arrive"]) - left) % 1440
            ):
                found.append(_rest(kept))
                rest = None
            found.append(self._call(call, number, today=today))
        if rest is not None:
            found.append(_rest(kept))
        back = tr(
            "back; {working} at the yards, {driving} on the road",
            working=visit_lines.time_words(kept["working_minutes"]),
            driving=visit_lines.time_words(kept["driving_minutes"]),
        )
        return [*found, _step(kept["back"], back)]

    def _call(self, call: Mapping[str, Any], number: int, *, today: bool) -> CrewStep:
        name = call["yard"]
        return CrewStep(
            clock=_clock(call["arrive"]),
            what=tr(
                "until {leave}; {drive} min drive",
                leave=_clock(call["leave"]),
                drive=round(call["drive_minutes"]),
            ),
            number=number,
            name=name,
            slug=self._slugs.get(name, ""),
            today=today,
            tasks=tuple(self._task(name, job, today=today) for job in call["visits"]),
        )

    def _task(self, yard: str, kept: Mapping[str, Any], *, today: bool) -> CrewTask:
        kind, what = Kind(kept["task"]), kept["what"]
        if kept["planned"] and kept["chance"] is not None:
            what = tr("Plan ({chance}): {what}", chance=words.percent(kept["chance"]), what=what)
        elif kept["planned"]:
            what = tr("Plan: {what}", what=what)
        right = date.fromisoformat(kept["not_before"])
        other_day = kind in DOSED and right != date.fromisoformat(kept["date"])
        row = self._rows.get(yard)
        starts = today and row is not None and kept["planned"] and kind is Kind.APPLY
        return CrewTask(
            what=what,
            bring=visit_lines.bring(_job_of(kept)),
            right=tr("its right day is {day}", day=words.day(right)) if other_day else "",
            today=tr("what is said of it today: {what}", what=row.what) if row and starts else "",
            remind=tuple(kept["remind"]),
            plan=kept["planned"],
        )


def _step(at: str, what: str) -> CrewStep:
    return CrewStep(_clock(at), what)


def _rest(kept: Mapping[str, Any]) -> CrewStep:
    return _step(kept["break_at"], tr("break, {minutes} min", minutes=kept["break_minutes"]))


def _minutes(clock: str) -> int:
    at = time.fromisoformat(clock)
    return 60 * at.hour + at.minute


def _clock(clock: str) -> str:
    return words.clock(time.fromisoformat(clock))


def _load_of(kept: Mapping[str, Any]) -> Load:
    def amount(name: str) -> Fraction | None:
        return None if kept[name] is None else Fraction(str(kept[name]))

    return Load(
        strips=kept["strips"],
        bring_strips=kept["bring_strips"],
        syrup_ml=amount("syrup_ml"),
        acid_g=amount("acid_g"),
        grams=amount("grams"),
    )


def _job_of(kept: Mapping[str, Any]) -> Job:
    """As far as its load is said from it."""
    on = date.fromisoformat(kept["date"])
    return Job(
        yard=kept["yard"],
        kind=Kind(kept["task"]),
        series="",
        number=0,
        day=on,
        best_by=on,
        on=on,
        late_days=0,
        colonies=kept["colonies"],
        minutes=kept["minutes"],
        load=_load_of(kept),
    )
