"""Crews' days in words, tables and JSON: the sheet that a crew takes along."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time
from typing import Any, NamedTuple

from windowcast.notice import crew_today, hive_lines, spreadsheet, visit_lines
from windowcast.notice.crew_today import Known
from windowcast.notice.plain import wrapped
from windowcast.trade.work import Job, gear, loads
from windowcast.trade.yard import Yard

COLUMNS = (
    "day", "crew", "people", "order", "drive_minutes", "arrive", "leave", "yard", "latitude",
    "longitude", "task", "treatment", "regimen", "colonies", "strips", "bring_strips", "syrup_ml",
    "acid_g", "grams", "what", "remind", "wear",
)  # fmt: skip


class CallView(NamedTuple):
    """A stay at one yard; local times of the crew."""

    yard: Yard
    arrive: datetime
    leave: datetime
    drive_minutes: float
    jobs: tuple[Job, ...]


class SheetView(NamedTuple):
    """One crew's day; local times, without a zone.

    rest:              when the break begins; None: none is asked for
    driving, working:  minutes
    waits_from:        when it would leave, were it light; None: it leaves then
    """

    crew: str
    people: int
    day: date
    leaves: datetime
    calls: tuple[CallView, ...]
    rest: datetime | None
    break_minutes: float
    back: datetime
    driving: float
    working: float
    waits_from: time | None = None

    @property
    def jobs(self) -> tuple[Job, ...]:
        return tuple(job for call in self.calls for job in call.jobs)


def sheet_lines(sheet: SheetView) -> list[str]:
    """One sheet for a terminal or a mail, as it is planned."""
    return _lines(sheet, _document(sheet))


def _lines(sheet: SheetView, kept: Mapping[str, Any]) -> list[str]:
    known = Known(
        {job.treatment.id: job.treatment for job in sheet.jobs if job.treatment is not None},
        {call.yard.name: call.yard for call in sheet.calls},
        None,
        "C",
    )
    return crew_today.sheet_lines(kept, known)


def closing_lines(sheets: Iterable[SheetView]) -> list[str]:
    """The cautions of all that is handled on these days."""
    every = [job for sheet in sheets for job in sheet.jobs if job.protection]
    treatments = [job.treatment for job in every if job.treatment is not None]
    if not treatments:
        return []
    return [wrapped(one) for one in [*visit_lines.cautions(treatments), hive_lines.law()]]


def sheets_document(sheets: Sequence[SheetView]) -> list[dict[str, Any]]:
    """The same as JSON allows."""
    found = []
    for sheet in sheets:
        kept = _document(sheet)
        found.append(kept | {"text": _lines(sheet, kept)})
    return found


def _document(sheet: SheetView) -> dict[str, Any]:
    return {
        "date": sheet.day.isoformat(),
        "crew": sheet.crew,
        "people": sheet.people,
        "leave": f"{sheet.leaves:%H:%M}",
        "waits_from": None if sheet.waits_from is None else f"{sheet.waits_from:%H:%M}",
        "back": f"{sheet.back:%H:%M}",
        "back_date": sheet.back.date().isoformat(),
        "break_at": None if sheet.rest is None else f"{sheet.rest:%H:%M}",
        "break_minutes": round(sheet.break_minutes),
        "driving_minutes": round(sheet.driving, 1),
        "working_minutes": round(sheet.working, 1),
        "load": [
            {"treatment": treatment.id} | visit_lines.load_document(load)
            for treatment, load in loads(sheet.jobs).values()
        ],
        "wear": [one.value for one in gear(sheet.jobs)],
        "calls": [
            {
                "yard": call.yard.name,
                "latitude": call.yard.latitude,
                "longitude": call.yard.longitude,
                "arrive": f"{call.arrive:%H:%M}",
                "leave": f"{call.leave:%H:%M}",
                "drive_minutes": round(call.drive_minutes, 1),
                "visits": [
                    visit_lines.job_document(job) | {"remind": crew_today.reminders(job, call.yard)}
                    for job in call.jobs
                ],
            }
            for call in sheet.calls
        ],
    }


def csv_text(sheets: Sequence[SheetView]) -> str:
    """A table with one row a task, in the order of driving; no cell is taken for a formula."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for sheet in sheets:
        for order, call in enumerate(sheet.calls, start=1):
            for job in call.jobs:
                row = visit_lines.job_document(job) | {
                    "day": sheet.day.isoformat(),
                    "crew": sheet.crew,
                    "people": sheet.people,
                    "order": order,
                    "drive_minutes": round(call.drive_minutes, 1),
                    "arrive": f"{call.arrive:%H:%M}",
                    "leave": f"{call.leave:%H:%M}",
                    "yard": call.yard.name,
                    "latitude": call.yard.latitude,
                    "longitude": call.yard.longitude,
                    "remind": "; ".join(crew_today.reminders(job, call.yard)),
                    "wear": ", ".join(one.value for one in job.protection),
                }
                table.writerow([spreadsheet.cell(row[column]) for column in COLUMNS])
    return out.getvalue()
