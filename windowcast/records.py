"""The records of treatments: one row each, with what was expected of the weather and what came."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import today_at
from windowcast.language import current, english, spoken, tr, trn
from windowcast.notice import count_lines, words
from windowcast.record import site
from windowcast.trade.course import Course, courses
from windowcast.trade.journal import Entry, in_force, standing_for
from windowcast.trade.work import AFTER_COUNT_DAYS
from windowcast.trade.yard import Hive, Yard

BEFORE_DAYS, AFTER_DAYS = 45, 60
"""Counts up to so long before a start and after an end belong to a treatment; after it those alone
that can judge it."""


def rows(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    year: int | None,
    now: datetime,
    for_people: bool,
) -> list[dict[str, Any]]:
    """One row for each treatment that began in `year` (None: ever), by start and yard.

    for_people:  in the language spoken now; else in English, as tables and documents are
    """
    if not for_people and current() is not english:
        with spoken(english):
            return rows(configuration, store, yards, year=year, now=now, for_people=False)
    found = []
    for yard in yards:
        entries = store.journal(yard.name)
        today = today_at(yard, now)
        seen = {
            one.day: one.tenths / 10
            for one in store.observed(yard.name, place=site(yard, configuration.weather.provider))
        }
        known = courses(entries)
        for course in known:
            if year is None or course.start.year == year:
                later = next((one for one in known if one.start > course.start), None)
                found.append(_row(yard, course, later, entries, seen, today, for_people))
    return sorted(found, key=lambda row: (row["start"], row["yard"]))


def _row(
    yard: Yard,
    course: Course,
    later: Course | None,
    entries: Sequence[Entry],
    seen: dict[date, float],
    today: date,
    for_people: bool,
) -> dict[str, Any]:
    body = course.entry.body
    finished = course.finished(today)
    expected = body.get("expected", {})
    highs = expected.get("highs_c", {})
    days = [course.start + timedelta(days=n) for n in range((course.end - course.start).days)]
    observed = [seen[day] for day in days if day in seen and day < today]
    until = course.end + timedelta(days=AFTER_DAYS)
    if later is not None:
        until = min(until, later.start - timedelta(days=1))
    # Strips that nobody noted as out still work.
    after = course.by(today).end + timedelta(days=AFTER_COUNT_DAYS)
    counts = [one for one in in_force(entries) if one.kind == "count"]
    first = course.start - timedelta(days=BEFORE_DAYS)
    queens = [
        one
        for one in in_force(entries)
        if one.kind == "queens" and course.start <= one.day <= until
    ]
    chain = _corrections(entries, course)
    removal = course.removed
    return {
        "number": course.entry.id,
        "yard": yard.name,
        "latitude": yard.latitude,
        "longitude": yard.longitude,
        "colonies": course.colonies,
        "colony_names": ", ".join(body.get("names", ())),
        "supers": body.get("supers"),
        "active": course.treatment.active,
        "form": course.treatment.form,
        "treatment": course.treatment.id,
        "regimen": course.regimen.id,
        **{
            name: body.get(name, "")
            for name in (
                "concentration",
                "registration",
                "lot",
                "expiry",
                "supplier",
                "supplier_address",
                "proof",
                "prescriber",
                "operator",
                "certificate",
                "protection",
                "reason",
            )
        },
        "amount_per_colony": _amount(course, yard.hive, 1),
        "amount_total": _amount(course, yard.hive, course.colonies),
        "start": course.start.isoformat(),
        "doses": ", ".join(day.isoformat() for day in course.dosed[1:]),
        "end": course.end.isoformat() if finished else "",
        "duration_days": (course.end - course.start).days if finished else "",
        "planned_days": course.regimen.exposure_days,
        "withdrawal_days": course.treatment.honey_days,
        "honey_from": course.honey_from.isoformat() if finished else "",
        "supers_on": course.supers_on.isoformat() if finished else "",
        "forecast_of": expected.get("fetched_at", ""),
        "forecast_from": expected.get("source", ""),
        "chance": expected.get("chance", ""),
        "expected_highs_c": _highs(list(highs.values())),
        "observed_highs_c": _highs(observed),
        "observed_days": len(observed),
        "counts_before": _counts(counts, first, course.start, for_people),
        "counts_after": _counts(counts, after, until, for_people),
        "queens_missing": "; ".join(
            tr(
                "{missing} of {checked} on {day}",
                missing=one.body["missing"],
                checked=one.body["checked"],
                day=one.day,
            )
            for one in queens
        ),
        "removed_strips": "" if removal is None else removal.body.get("strips") or "",
        "disposed": "" if removal is None else removal.body.get("disposed") or "",
        "removal_operator": "" if removal is None else removal.body.get("operator") or "",
        "notes": "; ".join(f"{one.day}: {one.body['text']}" for one in course.notes),
        "against": "; ".join(body.get("against", ())),
        "corrections": ", ".join(str(one) for one in chain),
    }


def _amount(course: Course, hive: Hive, colonies: int) -> str:
    """All doses given so far: "4 strips", "10 ml per seam of bees", "80 g".

    hive:  as it is now, for how many brood chambers it has where the start does not say
    """
    given = course.regimen.doses[: len(course.dosed)]
    strips = sum(dose.strips or 0 for dose in given) * colonies
    if strips:
        return trn("{count} strip", "{count} strips", strips)
    parts = []
    chambers = course.entry.body.get("brood_chambers") or hive.brood_chambers
    for name in ("ml_per_seam", "g_per_chamber", "g"):
        total = sum(getattr(dose, name) or 0 for dose in given)
        if total:
            parts.append(_unit(name, total, colonies, chambers))
    return ", ".join(parts)


def _unit(name: str, total: float, colonies: int, chambers: int) -> str:
    """What is not counted in strips: "10 ml per seam of bees in 4 colonies", "200 g"."""
    if name == "g":
        return f"{words.general(total * colonies)} g"
    if name == "g_per_chamber":
        return f"{words.general(total * chambers * colonies)} g"
    each = tr("{amount} ml per seam of bees", amount=words.general(total))
    if colonies == 1:
        return each
    return tr("{amount} in {colonies}", amount=each, colonies=words.colonies(colonies))


def _highs(values: Sequence[float]) -> str:
    """ "18.2 to 26.4, mean 22.1"."""
    if not values:
        return ""
    return tr(
        "{low} to {high}, mean {mean}",
        low=words.decimal(min(values), 1),
        high=words.decimal(max(values), 1),
        mean=words.decimal(sum(values) / len(values), 1),
    )


def _counts(counts: Sequence[Entry], first: date, last: date, for_people: bool) -> str:
    """Counts as entered: "9/300 (hive 7, wash, 2026-08-05)"."""
    found = []
    for one in counts:
        if not first <= one.day <= last:
            continue
        body = one.body
        of = f"{body['mites']}/{body.get('bees')}"
        if body["method"] == "board":
            of = tr(
                "{mites} {in_days}",
                mites=body["mites"],
                in_days=tr("in a day")
                if body["days"] == 1
                else tr("in {number} days", number=words.general(body["days"])),
            )
        method = tr(count_lines.METHODS[body["method"]]) if for_people else body["method"]
        who = f"{body['colony']}, " if body.get("colony") else ""
        found.append(f"{of} ({who}{method}, {one.day})")
    return "; ".join(found)


def _corrections(entries: Sequence[Entry], course: Course) -> list[int]:
    """The numbers of the entries of a treatment that no longer count, corrected or voided."""
    by_id = {one.id: one for one in entries}
    stands = standing_for(entries)
    counted = {one.id for one in in_force(entries)}
    found = {
        one.id
        for one in entries
        if one.id not in counted
        and one.kind != "void"
        and stands.get(one.body.get("start") or 0) == course.entry.id
    }
    before = course.entry.corrects
    while before is not None:
        found.add(before)
        before = by_id[before].corrects
    return sorted(found)


def journal_rows(
    store: Store,
    yards: Sequence[Yard],
    *,
    year: int | None,
    what: Callable[[Mapping[str, Any]], str],
) -> list[dict[str, Any]]:
    """Every entry as it was made, corrected and voided ones too, in order.

    what:  says what an entry holds
    """
    names = {yard.name for yard in yards}
    found = []
    after = {}
    every = [one for one in store.journal() if one.yard in names]
    for one in every:
        if one.corrects is not None:
            after[one.corrects] = one.id
    for one in every:
        if year is not None and one.day.year != year:
            continue
        body = {
            key: value for key, value in one.body.items() if key not in ("snapshot", "expected")
        }
        found.append(
            {
                "number": one.id,
                "yard": one.yard,
                "kind": one.kind,
                "day": one.day.isoformat(),
                "entered_at": one.noted_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "corrects": "" if one.corrects is None else one.corrects,
                "corrected_by": after.get(one.id, ""),
                "what": what(body),
            }
        )
    return found
