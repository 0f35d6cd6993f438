"""What the page of the crews shows: the day sheets of the plan that was promised, from today on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.language import tr, trn
from windowcast.notice import (
    crew_today,
    hive_lines,
    page_views,
    plan_lines,
    visit_lines,
    words,
)
from windowcast.notice.crew_today import Known, State
from windowcast.notice.page_views import (
    CrewPart,
    CrewSheet,
    CrewsPage,
    CrewStep,
    CrewTask,
    Row,
)
from windowcast.pages import DAYS_SHOWN, Look, sources_of
from windowcast.trade.treatment import Treatment
from windowcast.trade.work import Kind


def crews_page(
    configuration: Configuration,
    store: Store,
    looks: Sequence[Look],
    *,
    pending: int,
    now: datetime,
) -> CrewsPage:
    """Each crew's sheets of the next days, as they were promised last.

    looks:    at the yards, for what is said today of what is on the sheets
    pending:  yards that have not been looked at yet
    """
    zones = {ZoneInfo(yard.timezone) for yard in configuration.yards}
    first = min(now.astimezone(zone).date() for zone in zones)
    last = first + timedelta(days=DAYS_SHOWN - 1)
    kept = store.promised_plan()
    sheets = [] if kept is None else kept.document.get("sheets", [])
    shown = [one for one in sheets if first <= date.fromisoformat(one["date"]) <= last]
    later = sum(date.fromisoformat(one["date"]) > last for one in sheets)
    known = Known(
        {one.id: one for one in configuration.treatments},
        {yard.name: yard for yard in configuration.yards},
        {key: stop for look in looks for key, stop in look.stops.items()},
        configuration.units,
    )
    made = _Made(configuration, known, {look.row.name: look.row for look in looks}, first)
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

    def __init__(
        self, configuration: Configuration, known: Known, rows: Mapping[str, Row], today: date
    ) -> None:
        self._known, self._rows, self._today = known, rows, today
        # A yard that is no more has no page.
        self._slugs = {yard.name: page_views.slug(yard.name) for yard in configuration.yards}

    def sheet(self, kept: Mapping[str, Any]) -> CrewSheet:
        return CrewSheet(
            title=crew_today.title(kept),
            stays=crew_today.stays_words(kept, self._known),
            load=tuple(crew_today.load_texts(kept, self._known)),
            wear=crew_today.wear_words(kept),
            steps=tuple(self._steps(kept)),
            cautions=tuple(self.cautions(self.ids(kept))),
        )

    def ids(self, kept: Mapping[str, Any]) -> list[str]:
        """The treatments that are handled on a sheet."""
        return [
            job["treatment"]
            for call in kept["calls"]
            for job in call["visits"]
            if job["treatment"] is not None and job["wear"]
        ]

    def cautions(self, ids: Sequence[str]) -> list[str]:
        treatments = self._known.treatments
        known: list[Treatment] = [treatments[one] for one in ids if one in treatments]
        return visit_lines.cautions(known)

    def _steps(self, kept: Mapping[str, Any]) -> list[CrewStep]:
        """A day from leaving to being back, in the order in which it comes."""
        found = [_step(kept["leave"], crew_today.leave_words(kept))]
        rest = kept["break_at"]
        for number, call in enumerate(kept["calls"], start=1):
            if rest is not None and crew_today.comes_before(kept, rest, call["arrive"]):
                found.append(_rest(kept))
                rest = None
            found.append(self._call(kept, call, number))
        if rest is not None:
            found.append(_rest(kept))
        return [*found, _step(kept["back"], crew_today.back_words(kept))]

    def _call(self, sheet: Mapping[str, Any], call: Mapping[str, Any], number: int) -> CrewStep:
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
            today=date.fromisoformat(sheet["date"]) == self._today,
            tasks=tuple(self._task(sheet, call, job) for job in call["visits"]),
        )

    def _task(
        self, sheet: Mapping[str, Any], call: Mapping[str, Any], kept: Mapping[str, Any]
    ) -> CrewTask:
        what = crew_today.what(kept, self._known)
        if kept["planned"] and kept["chance"] is not None:
            what = tr("Plan ({chance}): {what}", chance=words.percent(kept["chance"]), what=what)
        elif kept["planned"]:
            what = tr("Plan: {what}", what=what)
        said = self._known.said(sheet, call, kept)
        word = crew_today.today_words(said, self._known.units)
        today = [word] if word else []
        row = self._rows.get(call["yard"])
        on = date.fromisoformat(sheet["date"])
        starts = on == self._today and kept["planned"] and Kind(kept["task"]) is Kind.APPLY
        if row is not None and starts:
            today.append(tr("what is said of it today: {what}", what=row.what))
        return CrewTask(
            what=what,
            bring="" if said.out else crew_today.bring(kept),
            right=crew_today.right_words(sheet, kept),
            today="; ".join(today),
            remind=() if said.out else tuple(crew_today.remind(kept, self._known)),
            plan=kept["planned"],
            stops=said.state is not State.GOOD,
        )


def _step(at: str, what: str) -> CrewStep:
    return CrewStep(_clock(at), what)


def _rest(kept: Mapping[str, Any]) -> CrewStep:
    return _step(kept["break_at"], tr("break, {minutes} min", minutes=kept["break_minutes"]))


def _clock(clock: str) -> str:
    return words.clock(time.fromisoformat(clock))
