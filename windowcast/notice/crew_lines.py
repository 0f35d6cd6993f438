"""Crews' days in words, tables and JSON: the sheet that a crew takes along."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from windowcast.language import tr, trn
from windowcast.notice import hive_lines, spreadsheet, visit_lines, words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade import hive as hives
from windowcast.trade.bring import Protection
from windowcast.trade.work import Job, Kind, gear, loads
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

    @property
    def jobs(self) -> tuple[Job, ...]:
        return tuple(job for call in self.calls for job in call.jobs)


def sheet_lines(sheet: SheetView) -> list[str]:
    """One sheet for a terminal or a mail."""
    head = tr(
        "{day}, {crew} ({people}): {yards}",
        day=words.day(sheet.day),
        crew=sheet.crew,
        people=trn("{count} person", "{count} people", sheet.people),
        yards=trn("{count} yard", "{count} yards", len(sheet.calls)),
    )
    lines = [wrapped(head), "-" * min(len(head), 78)]
    for treatment, load in loads(sheet.jobs).values():
        lines += labelled(
            tr("Load"),
            tr(
                "{amount}: {treatment}",
                amount=visit_lines.load_words(load),
                treatment=words.treatment_plural(treatment),
            ),
        )
    if worn := gear(sheet.jobs):
        lines += labelled(tr("Wear, have"), wear_words(worn))
    lines += labelled(f"{sheet.leaves:%H:%M}", tr("leave"))
    rested = sheet.rest is None
    for number, call in enumerate(sheet.calls, start=1):
        if not rested and sheet.rest is not None and sheet.rest < call.arrive:
            lines += _rest(sheet)
            rested = True
        lines += labelled(
            f"{call.arrive:%H:%M}",
            tr(
                "{number}. {yard}, until {leave} ({drive} min drive)",
                number=number,
                yard=call.yard.name,
                leave=f"{call.leave:%H:%M}",
                drive=round(call.drive_minutes),
            ),
        )
        for job in call.jobs:
            lines += labelled("", f"- {task_words(job)}")
            for text in reminders(job, call.yard):
                lines += labelled("", f"- {text}")
    if not rested:
        lines += _rest(sheet)
    lines += labelled(
        f"{sheet.back:%H:%M}",
        tr(
            "back; {working} at the yards, {driving} on the road",
            working=visit_lines.time_words(sheet.working),
            driving=visit_lines.time_words(sheet.driving),
        ),
    )
    return lines


def _rest(sheet: SheetView) -> list[str]:
    assert sheet.rest is not None
    return labelled(
        f"{sheet.rest:%H:%M}", tr("break, {minutes} min", minutes=round(sheet.break_minutes))
    )


def task_words(job: Job) -> str:
    """What is done, with what it takes, and when it was to be, where that is another day."""
    parts = [visit_lines.what(job), visit_lines.bring(job)]
    if job.on != job.day and job.dose is not None:
        parts.append(tr("its right day is {day}", day=words.day(job.day)))
    return "; ".join(part for part in parts if part)


def reminders(job: Job, yard: Yard) -> list[str]:
    """What to mind at the hive for one job."""
    if job.treatment is None or job.regimen is None:
        return []
    if job.kind is Kind.APPLY:
        return [
            tr(hive_lines.PREPARATION[step], supers=words.number(job.treatment.max_supers or 0))
            for step in hives.preparations(job.treatment, job.regimen, yard.hive)
        ]
    if job.kind is Kind.REMOVE and job.load.strips is not None:
        return [tr("count what comes out and close the bag; enter the removal")]
    if job.kind is Kind.SWAP:
        return [tr("old ones out before fresh ones go in; enter the swap")]
    return []


def wear_words(worn: Sequence[Protection]) -> str:
    """What to wear or have: "acid-resistant gloves, sealed goggles"; "" for nothing."""
    return words.in_a_row([tr(visit_lines.WEAR[one]) for one in worn]) if worn else ""


def closing_lines(sheets: Iterable[SheetView]) -> list[str]:
    """The cautions of all that is handled on these days."""
    every = [job for sheet in sheets for job in sheet.jobs if job.protection]
    treatments = [job.treatment for job in every if job.treatment is not None]
    if not treatments:
        return []
    return [wrapped(one) for one in [*visit_lines.cautions(treatments), hive_lines.law()]]


def sheets_document(sheets: Sequence[SheetView]) -> list[dict[str, Any]]:
    """The same as JSON allows."""
    return [
        {
            "date": sheet.day.isoformat(),
            "crew": sheet.crew,
            "people": sheet.people,
            "leave": f"{sheet.leaves:%H:%M}",
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
                        visit_lines.job_document(job) | {"remind": reminders(job, call.yard)}
                        for job in call.jobs
                    ],
                }
                for call in sheet.calls
            ],
            "text": sheet_lines(sheet),
        }
        for sheet in sheets
    ]


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
                    "remind": "; ".join(reminders(job, call.yard)),
                    "wear": ", ".join(one.value for one in job.protection),
                }
                table.writerow([spreadsheet.cell(row[column]) for column in COLUMNS])
    return out.getvalue()
