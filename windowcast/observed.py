"""A yard's observed highs: its own thermometer's read from a table, and what is known listed.

A table is taken whole or not at all. Nothing in it is guessed: all that cannot be read as it stands
is named at once, with its lines.
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from windowcast.edges import table_file
from windowcast.edges.store import Noted, ObservedHigh, Store
from windowcast.errors import UsageError
from windowcast.language import marked, tr, trn
from windowcast.notice import words
from windowcast.record import site
from windowcast.sky.highs import HIGHEST_C, LOWEST_C
from windowcast.trade.yard import Yard
from windowcast.units import celsius_from_fahrenheit

Say = Callable[[str], None]

HEADER = "day,high_c (or day,high_f)"
BY = {"own": marked("own thermometer"), "service": marked("weather service")}
UNITS = {"high_c": "°C", "high_f": "°F"}
FIRST_YEAR = 1900
LISTED_DAYS = 14
NAMED_CORRECTIONS = 20
# A thermometer in the sun reads several kelvins more than a weather service; one in the other unit
# is further off.
OTHER_UNIT_K, FEWEST_SHARED_DAYS = 12.0, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What a table came to. `without`: its days without a high, or whose high is still to come."""

    yard: Yard
    path: Path
    noted: Noted
    without: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a yard as of `today` there: one high a day, in order."""

    yard: Yard
    today: date
    highs: tuple[ObservedHigh, ...]

    def count(self, origin: str) -> int:
        return sum(one.origin == origin for one in self.highs)

    @property
    def recent(self) -> list[tuple[date, ObservedHigh | None]]:
        """The last days before today, the newest last; None where the high is not known."""
        by_day = {one.day: one for one in self.highs}
        days = [self.today - timedelta(days=n) for n in range(LISTED_DAYS, 0, -1)]
        return [(day, by_day.get(day)) for day in days]


def known(store: Store, yard: Yard, provider: str, now: datetime) -> Known:
    """The observed highs of a yard: the own ones, and the service's of where it stands now."""
    return Known(
        yard=yard,
        today=now.astimezone(ZoneInfo(yard.timezone)).date(),
        highs=tuple(store.observed(yard.name, place=site(yard, provider))),
    )


@dataclass(frozen=True, slots=True)
class Reading:
    """One row of a table: its line, its day and its high in tenths of a °C."""

    line: int
    day: date
    tenths: int


def read_table(path: Path, today: date, say: Say) -> tuple[list[Reading], int]:
    """The rows of a table that hold a high, and how many hold none that counts.

    today:  in the yard's zone; the high of this day may still be to come, so its row is passed over

    Raises UsageError with every mistake that there is.
    """
    rows = list(table_file.rows(path, HEADER))
    if not rows:
        raise UsageError(f"{path}: the file is empty; wanted: {HEADER} and a row a day")
    (line, header), *body = rows
    names = [name.strip() for name in header]
    mistakes = [f"{path}:{line}: {one}" for one in _header_mistakes(names)]
    unit = next((name for name in UNITS if name in names), None)
    if "day" not in names or unit is None:
        raise UsageError(table_file.all_of(path, mistakes))
    readings: list[Reading] = []
    first_line: dict[date, int] = {}
    without: list[int] = []
    early: list[int] = []
    for line, cells in body:
        where = f"{path}:{line}"
        if len(cells) != len(names):
            mistakes.append(
                f"{where}: {len(cells)} cells for {len(names)} columns; write a decimal point, such"
                " as 23.4, and one comma between cells"
            )
            continue
        row = dict(zip(names, (cell.strip() for cell in cells), strict=True))
        day, wrong = _day(row["day"], today)
        if wrong:
            mistakes.append(f"{where}: {wrong}")
        if day is not None and day in first_line:
            mistakes.append(
                f"{where}: day {day} stands on line {first_line[day]} already; wanted: each day"
                " once; keep the row that is right"
            )
        elif day is not None:
            first_line[day] = line
        if row[unit] == "":
            without.append(line)
            continue
        tenths, wrong = _tenths(row[unit], unit)
        if wrong:
            mistakes.append(f"{where}: {wrong}")
        if day is None or tenths is None:
            continue
        if day == today:
            early.append(line)
        else:
            readings.append(Reading(line, day, tenths))
    if mistakes:
        raise UsageError(table_file.all_of(path, mistakes))
    if not readings and not early:
        raise UsageError(f"{path}: no highs below the header; wanted: {HEADER} and a row a day")
    if without:
        say(f"{path}:{table_file.lines(without)}: no high; passed over")
    if early:
        say(
            f"{path}:{table_file.lines(early)}: today is not over; passed over, import it again"
            " tomorrow"
        )
    return readings, len(without) + len(early)


def import_table(
    store: Store, yard: Yard, provider: str, path: Path, *, now: datetime, say: Say
) -> Imported:
    """Keep the highs of a yard's own thermometer, all of the table or nothing of it.

    Raises UsageError for a table that cannot be used as it stands.
    """
    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    readings, without = read_table(path, today, say)
    rows = [
        ObservedHigh(
            yard=yard.name, day=one.day, origin="own", tenths=one.tenths, noted_at=now, place=None
        )
        for one in readings
    ]
    place = site(yard, provider)
    _check_unit(path, rows, store.observed(yard.name, place=place, origin="service"))
    return Imported(yard=yard, path=path, noted=store.note_observed(rows), without=without)


def _check_unit(path: Path, rows: Sequence[ObservedHigh], service: Sequence[ObservedHigh]) -> None:
    """UsageError where the table is plainly in another unit than its header says."""
    seen = {one.day: one.tenths for one in service}
    apart = [(one.tenths - seen[one.day]) / 10 for one in rows if one.day in seen]
    if len(apart) < FEWEST_SHARED_DAYS:
        return
    typical_k = statistics.median(apart)
    if abs(typical_k) > OTHER_UNIT_K:
        raise UsageError(
            f"{path}: its highs lie {abs(typical_k):.1f} °C {'above' if typical_k > 0 else 'below'}"
            f" those of the weather service, typically over {len(apart)} days; nothing was"
            " imported; name the column for its unit, high_c or high_f, or see whether the"
            " thermometer hangs in the sun and the table is this yard's"
        )


def _header_mistakes(names: Sequence[str]) -> Iterator[str]:
    if len(names) == 1 and re.search(r"[;\t]", names[0]):
        yield (
            f"the columns are parted by {'a tab' if chr(9) in names[0] else 'a semicolon'}; wanted:"
            f" commas: {HEADER}; save it as CSV with commas and decimal points"
        )
        return
    for name in sorted(set(names)):
        if names.count(name) > 1:
            yield f"column {name!r} stands there {names.count(name)} times; wanted: once"
        if name not in ("day", *UNITS):
            yield f"column {name!r} is not known; wanted: {HEADER}; take it out or rename it"
    if "day" not in names:
        yield f"no column day; wanted: {HEADER}"
    units = [name for name in UNITS if name in names]
    if not units:
        yield f"no column high_c or high_f; wanted: {HEADER}; name the column for its unit"
    if len(units) == 2:
        yield "both high_c and high_f are given; keep the one that was measured"


def _day(text: str, today: date) -> tuple[date | None, str]:
    """The day, or what is wrong with it."""
    wanted = f"wanted: a day such as {today - timedelta(days=1)}"
    try:
        day = date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.A) else None
    except ValueError:
        day = None
    if day is None:
        return None, f"day is {text!r}; {wanted}"
    if day > today:
        return day, f"day {day} is still to come, today is {today} at the yard; {wanted} or before"
    if day.year < FIRST_YEAR:
        return day, f"day {day} lies before {FIRST_YEAR}; {wanted}"
    return day, ""


def _tenths(text: str, column: str) -> tuple[int | None, str]:
    """The high in tenths of a °C, or what is wrong with it."""
    if not re.fullmatch(r"[+-]?\d{1,6}(\.\d{1,9})?", text, re.A):
        return None, (
            f"{column} is {text!r}; wanted: a number with a decimal point, such as 23.4, or nothing"
            " where it was not measured"
        )
    value = Fraction(text)
    high_c = value if column == "high_c" else celsius_from_fahrenheit(value)
    if not LOWEST_C <= high_c <= HIGHEST_C:
        unit = UNITS[column]
        low, high = (LOWEST_C, HIGHEST_C) if unit == "°C" else (-130.0, 140.0)
        other = "high_f" if column == "high_c" else "high_c"
        return None, (
            f"{column} is {text}; wanted: {low:g} to {high:g} {unit}; if this is the other unit,"
            f" name the column {other}"
        )
    return round(high_c * 10), ""


def import_lines(found: Imported, units: str) -> list[str]:
    """What an import came to, in words."""
    noted = found.noted
    total = noted.new + len(noted.corrected) + noted.unchanged
    out = [
        trn(
            "{yard}: {count} high in {file}: {new} new, {corrected} corrected, {known} known"
            " already",
            "{yard}: {count} highs in {file}: {new} new, {corrected} corrected, {known} known"
            " already",
            total,
            yard=found.yard.name,
            file=found.path,
            new=noted.new,
            corrected=len(noted.corrected),
            known=noted.unchanged,
        )
    ]
    for one in noted.corrected[:NAMED_CORRECTIONS]:
        text = tr(
            "{date}: {degrees}, was {before}",
            date=words.day_with_year(one.row.day),
            degrees=words.degrees(one.row.tenths / 10, units),
            before=words.degrees(one.before_tenths / 10, units),
        )
        out.append(f"  {text}")
    rest = len(noted.corrected) - NAMED_CORRECTIONS
    return [*out, f"  {trn('and {count} more', 'and {count} more', rest)}"] if rest > 0 else out


def import_document(found: Imported) -> dict[str, Any]:
    """The same as plain values, °C."""
    return {
        "schema": 1,
        "yard": found.yard.name,
        "file": str(found.path),
        "new": found.noted.new,
        "corrected": [
            {
                "day": one.row.day.isoformat(),
                "high_c": one.row.tenths / 10,
                "before_c": one.before_tenths / 10,
            }
            for one in found.noted.corrected
        ],
        "unchanged": found.noted.unchanged,
        "without": found.without,
    }


def known_lines(found: Known, units: str) -> list[str]:
    """What is known of a yard, in words: counts, and the last days one by one."""
    name = found.yard.name
    if not found.highs:
        text = tr(
            "{yard}: no observed highs yet.\n"
            "Each fetch of real weather brings yesterday's; those of your own thermometer\n"
            'come from a table: windowcast observed "{yard}" highs.csv',
            yard=name,
        )
        return text.split("\n")
    first, last = found.highs[0].day, found.highs[-1].day
    out = [
        trn(
            "{yard}: {count} observed high, {first} to {last}",
            "{yard}: {count} observed highs, {first} to {last}",
            len(found.highs),
            yard=name,
            first=words.day_with_year(first),
            last=words.day_with_year(last),
        ),
        tr(
            "{own} from its own thermometer, {service} from the weather service",
            own=found.count("own"),
            service=found.count("service"),
        ),
        "",
    ]
    for day, one in found.recent:
        high = tr("not known") if one is None else words.degrees(one.tenths / 10, units)
        by = "" if one is None else tr(BY[one.origin])
        out.append(f"  {words.day(day):<11}{high:>10}  {by}".rstrip())
    return out


def known_document(found: Known) -> dict[str, Any]:
    """The same as plain values, °C; null where a high is not known."""
    highs = found.highs
    return {
        "schema": 1,
        "yard": found.yard.name,
        "timezone": found.yard.timezone,
        "today": found.today.isoformat(),
        "known": len(highs),
        "own": found.count("own"),
        "service": found.count("service"),
        "first_day": highs[0].day.isoformat() if highs else None,
        "last_day": highs[-1].day.isoformat() if highs else None,
        "days": [
            {
                "day": day.isoformat(),
                "high_c": None if one is None else one.tenths / 10,
                "origin": None if one is None else one.origin,
            }
            for day, one in found.recent
        ],
    }
