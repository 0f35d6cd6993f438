"""Treatments as they happen, in words and as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from windowcast.language import marked, tr, trn
from windowcast.notice import hive_lines, words
from windowcast.notice.plain import labelled, wrapped
from windowcast.notice.visit_words import visit_words
from windowcast.trade.course import Course
from windowcast.trade.journal import Entry
from windowcast.trade.visits import Task, Visit
from windowcast.trade.yard import Hive, Yard


def heading(course: Course, today: date) -> str:
    """ "formic acid gel strips are in since Wed Aug 12, day 5 of 14": to its own end, which a dose
    that is late or early moves."""
    day = (today - course.start).days
    days = course.seen(today).whole_days
    when = (
        trn("day {number} of {count}", "day {number} of {count}", days, number=day + 1)
        if day < days
        else trn("{count} day is over", "{count} days are over", days)
    )
    values = {
        "treatment": words.treatment_plural(course.treatment),
        "day": words.day_in(course.start, today.year),
        "when": when,
    }
    if words.many(course.treatment):
        return tr("{treatment} are in since {day}, {when}", **values)
    return tr("{treatment} is in since {day}, {when}", **values)


def begun_lines(
    number: int, course: Course, yard: Yard, remarks: Sequence[str], *, spare_percent: float
) -> list[str]:
    """What was entered as a start, and what follows from it."""
    lines = [
        wrapped(
            trn(
                "Treatment {number}, {yard}: {treatment}, {regimen}, from {date} in {count} colony",
                "Treatment {number}, {yard}: {treatment}, {regimen}, from {date} in {count}"
                " colonies",
                course.colonies,
                number=number,
                yard=yard.name,
                treatment=words.treatment_plural(course.treatment),
                regimen=words.regimen(course.regimen),
                date=words.day_with_year(course.start),
            )
        )
    ]
    for one in remarks:
        lines += labelled(tr("Mind"), one)
    lines += plan_lines(course, yard.hive, spare_percent)
    lines += hive_lines.at_the_hive(course.treatment, course.regimen, yard.hive)
    lines += hive_lines.still_shut(course)
    lines += after_lines(course)
    lines += ["", *(wrapped(one) for one in hive_lines.cautions([course.treatment.active]))]
    return [*lines, wrapped(hive_lines.law())]


def plan_lines(course: Course, hive: Hive, spare_percent: float) -> list[str]:
    """The visits still to be made."""
    lines: list[str] = []
    for visit in course.ahead():
        text = visit_words(
            visit,
            course.colonies,
            treatment=course.treatment,
            hive=hive,
            spare_percent=spare_percent,
        )
        lines += labelled("" if lines else tr("Visits"), text)
    return lines


_WHEN = {
    None: marked("{what}, if it ends as planned; the label decides"),
    Task.SWAP: marked("{what}, if the fresh dose goes in today; the label decides"),
    Task.REMOVE: marked("{what}, if it comes out today; the label decides"),
}
"""By what is late."""


def after_lines(course: Course) -> list[str]:
    """From when honey supers may go on and honey may be taken, counted from the removal."""
    return labelled(tr("Supers"), after_words(course))


def after_words(course: Course) -> str:
    """The same without its label: "on, and honey taken, from Wed Dec 9, if it ends as planned; the
    label decides"; also how many may be on while it is in."""
    if course.removed is not None or not course.regimen.removed:
        return tr("{what}; the label decides", what=_from_when(course, meanwhile=False))
    return tr(_WHEN[course.late], what=_from_when(course, meanwhile=True))


def _from_when(course: Course, *, meanwhile: bool) -> str:
    """
    meanwhile:  it is in
    """
    most = course.treatment.max_supers
    days = {"day": words.day(course.supers_on), "honey_day": words.day(course.honey_from)}
    together = course.supers_on == course.honey_from
    if meanwhile and most is None and course.supers_on == course.end:
        return tr("on at any time, honey taken from {honey_day}", honey_day=days["honey_day"])
    if meanwhile and most:
        supers = words.number(most)
        if together:
            return tr(
                "at most {supers} on while it is in; more on, and honey taken, from {day}",
                supers=supers,
                day=days["day"],
            )
        return tr(
            "at most {supers} on while it is in; more on from {day}, honey taken from {honey_day}",
            supers=supers,
            **days,
        )
    if together:
        return tr("on, and honey taken, from {day}", day=days["day"])
    return tr("on from {day}, honey taken from {honey_day}", **days)


ENTERED = {
    "Swap": marked("Swap {number}, {yard}: {treatment} of {date} (treatment {start})"),
    "Removal": marked("Removal {number}, {yard}: {treatment} of {date} (treatment {start})"),
}


def visited_lines(
    what: str,
    number: int,
    course: Course,
    yard: Yard,
    remarks: Sequence[str],
    *,
    spare_percent: float,
) -> list[str]:
    """What was entered as a swap or a removal."""
    lines = [
        wrapped(
            tr(
                ENTERED[what],
                number=number,
                yard=course.yard,
                treatment=words.treatment_plural(course.treatment),
                date=words.day_with_year(course.start),
                start=course.entry.id,
            )
        )
    ]
    for one in remarks:
        lines += labelled(tr("Mind"), one)
    lines += plan_lines(course, yard.hive, spare_percent)
    if course.removed is not None:
        lines += after_lines(course)
        lines += labelled(tr("Then"), tr("count mites two weeks after the end (windowcast visits)"))
    return lines


def none_lines(yards: Sequence[str]) -> list[str]:
    """Yards without a treatment, in one line."""
    if not yards:
        return []
    return wrapped(tr("{yard}: no treatments yet.", yard=words.first_yards(yards))).splitlines()


def list_lines(yard: str, known: Sequence[Course], today: date) -> list[str]:
    """A yard's treatments, what is in first, then the newest."""
    if not known:
        return [tr("{yard}: no treatments yet.", yard=yard)]
    lines = [yard]
    for course in sorted(known, key=lambda one: (one.finished(today), -one.start.toordinal())):
        lines += labelled(f"{course.entry.id}", _summary(course, today))
        if not course.finished(today):
            visits = course.by(today).due()
            if visits:
                lines += labelled("", _next(visits[0], today))
        for swap in course.swaps:
            lines += labelled(
                "", tr("swap {number} on {day}", number=swap.id, day=words.day(swap.day))
            )
        if course.removed is not None:
            text = tr(
                "removal {number} on {day}",
                number=course.removed.id,
                day=words.day(course.removed.day),
            )
            lines += labelled("", text)
        for note in course.notes:
            text = tr(
                "note {number} of {day}: {text}",
                number=note.id,
                day=words.day(note.day),
                text=note.body["text"],
            )
            lines += labelled("", text)
        for broken in course.entry.body.get("against", ()):
            lines += labelled("", tr("entered against: {rule}", rule=broken))
    return lines


def _summary(course: Course, today: date) -> str:
    values = {
        "treatment": words.treatment_plural(course.treatment),
        "regimen": words.regimen(course.regimen),
        "date": words.day_with_year(course.start),
        "colonies": words.colonies(course.colonies),
    }
    if course.finished(today):
        return tr(
            "{treatment}, {regimen}, from {date} to {end}, {colonies}",
            end=words.day_with_year(course.end),
            **values,
        )
    return tr("{treatment}, {regimen}, from {date}, {colonies}", **values)


def _next(visit: Visit, today: date) -> str:
    late = (today - visit.day).days
    values = {"task": words.task_name(visit.task), "day": words.day_in(visit.day, today.year)}
    if late > 0:
        return trn(
            "next: {task} on {day}, {count} day late",
            "next: {task} on {day}, {count} days late",
            late,
            **values,
        )
    return tr("next: {task} on {day}", **values)


def course_document(course: Course, today: date) -> dict[str, Any]:
    """One treatment as plain values."""
    course = course.seen(today)
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
                "date": (visit if course.listed else right).day.isoformat(),
                "task": visit.task.value,
                "strips_per_colony": visit.strips_per_colony,
                "strips": visit.strips,
                "late_days": max((today - right.day).days, 0) if visit.day <= today else 0,
            }
            for visit, right in zip(course.ahead(), course.due(), strict=True)
        ],
        "supers_on": course.supers_on.isoformat(),
        "honey_from": course.honey_from.isoformat(),
        "notes": [_entry(one) for one in course.notes],
    }


def _entry(one: Entry) -> dict[str, Any]:
    body = {key: value for key, value in one.body.items() if key != "start" and value is not None}
    return {"number": one.id, "day": one.day.isoformat(), **body}
