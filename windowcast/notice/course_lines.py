"""Treatments as they happen, in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from windowcast.notice import hive_lines, words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade.course import Course
from windowcast.trade.journal import Entry
from windowcast.trade.visits import Task
from windowcast.trade.yard import Yard


def heading(course: Course, today: date) -> str:
    """ "formic acid gel strips are in since Wed Aug 12, day 5 of 14"."""
    name = words.treatment_plural(course.treatment)
    verb = "are" if name.endswith("s") else "is"
    day = (today - course.start).days
    days = course.regimen.exposure_days
    of = f"day {day + 1} of {days}" if day < days else f"{days} days are over"
    return f"{name} {verb} in since {words.day(course.start)}, {of}"


def begun_lines(number: int, course: Course, yard: Yard, remarks: Sequence[str]) -> list[str]:
    """What was entered as a start, and what follows from it."""
    lines = [
        wrapped(
            f"Treatment {number}, {yard.name}: {words.treatment_plural(course.treatment)},"
            f" {words.regimen(course.regimen)}, from {words.day_with_year(course.start)} in"
            f" {words.colonies(course.colonies)}"
        )
    ]
    for one in remarks:
        lines += labelled("Mind", one)
    lines += plan_lines(course)
    lines += hive_lines.at_the_hive(course.treatment, course.regimen, yard.hive)
    lines += hive_lines.left_shut(course.treatment, course.regimen, start=course.start)
    lines += after_lines(course)
    lines += ["", *(wrapped(one) for one in hive_lines.cautions([course.treatment.active]))]
    return [*lines, wrapped(hive_lines.LAW)]


def plan_lines(course: Course) -> list[str]:
    """The visits still to be made."""
    lines: list[str] = []
    for visit in course.ahead():
        text = f"{words.day(visit.day)}: {words.task(visit.task, visit.dose)}"
        if visit.strips is not None:
            verb = "expect" if visit.task is Task.REMOVE else "bring"
            text += f" a colony; {verb} {visit.strips} for {words.colonies(course.colonies)}"
        lines += labelled("" if lines else "Visits", text)
    return lines


def after_lines(course: Course) -> list[str]:
    """From when honey supers may go on and honey may be taken, counted from the removal."""
    done = course.removed is not None or not course.regimen.removed
    by = "" if done else ", if it ends as planned"
    on, honey = words.day(course.supers_on), words.day(course.honey_from)
    if course.supers_on == course.honey_from:
        return labelled("Supers", f"on, and honey taken, from {on}{by}; the label decides")
    return labelled("Supers", f"on from {on}, honey taken from {honey}{by}; the label decides")


def visited_lines(what: str, number: int, course: Course, remarks: Sequence[str]) -> list[str]:
    """What was entered as a swap or a removal."""
    lines = [
        wrapped(
            f"{what} {number}, {course.yard}: {words.treatment_plural(course.treatment)} of"
            f" {words.day_with_year(course.start)} (treatment {course.entry.id})"
        )
    ]
    for one in remarks:
        lines += labelled("Mind", one)
    lines += plan_lines(course)
    if course.removed is not None:
        lines += after_lines(course)
        lines += labelled("Then", "count mites two weeks after the end (windowcast visits)")
    return lines


def list_lines(yard: str, known: Sequence[Course], today: date) -> list[str]:
    """A yard's treatments, what is in first, then the newest."""
    if not known:
        return [f"{yard}: no treatments yet."]
    lines = [yard]
    for course in sorted(known, key=lambda one: (one.finished(today), -one.start.toordinal())):
        what = f"{words.treatment_plural(course.treatment)}, {words.regimen(course.regimen)}"
        span = f"from {words.day_with_year(course.start)}"
        if course.finished(today):
            span += f" to {words.day_with_year(course.end)}"
        text = f"{what}, {span}, {words.colonies(course.colonies)}"
        lines += labelled(f"{course.entry.id}", text)
        if not course.finished(today):
            visits = course.ahead()
            if visits:
                first = visits[0]
                late = (today - first.day).days
                due = f", {words.counted(late, 'day')} late" if late > 0 else ""
                lines += labelled("", f"next: {first.task.value} on {words.day(first.day)}{due}")
        for swap in course.swaps:
            lines += labelled("", f"swap {swap.id} on {words.day(swap.day)}")
        if course.removed is not None:
            lines += labelled("", f"removal {course.removed.id} on {words.day(course.removed.day)}")
        for note in course.notes:
            lines += labelled("", f"note {note.id} of {words.day(note.day)}: {note.body['text']}")
        for broken in course.entry.body.get("against", ()):
            lines += labelled("", f"entered against: {broken}")
    return lines


def course_document(course: Course, today: date) -> dict[str, Any]:
    """One treatment as plain values."""
    return {
        "number": course.entry.id,
        "yard": course.yard,
        "treatment": course.treatment.id,
        "regimen": course.regimen.id,
        "start": course.start.isoformat(),
        "colonies": course.colonies,
        "in": not course.finished(today),
        "swaps": [_entry(one) for one in course.swaps],
        "removal": None if course.removed is None else _entry(course.removed),
        "end": course.end.isoformat(),
        "visits": [
            {
                "date": visit.day.isoformat(),
                "task": visit.task.value,
                "strips_per_colony": visit.strips_per_colony,
                "strips": visit.strips,
                "late_days": max((today - visit.day).days, 0),
            }
            for visit in course.ahead()
        ],
        "supers_on": course.supers_on.isoformat(),
        "honey_from": course.honey_from.isoformat(),
        "notes": [_entry(one) for one in course.notes],
    }


def _entry(one: Entry) -> dict[str, Any]:
    body = {key: value for key, value in one.body.items() if key != "start" and value is not None}
    return {"number": one.id, "day": one.day.isoformat(), **body}
