"""crews.toml, the optional fourth file: who drives, with what in stock, and which days are taken.

A row with a mistake is named and left out, and the plan is made with the rest: a crew that cannot
be must not keep the others from the road.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from windowcast.crew.settings import CrewRow, CrewSettings, FixedRow, StockRow
from windowcast.crew.travel import Point
from windowcast.edges import config, table_file
from windowcast.edges import config_values as values
from windowcast.edges.config_schema import Fault, Key, read_table
from windowcast.edges.config_taken import NAME
from windowcast.edges.config_values import Wrong, nearest, shown
from windowcast.edges.settings import Configuration
from windowcast.errors import ConfigError, UsageError

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
KEEPS_OUT = ("visits", "treatments", "both")


def _weekday(value: Any) -> int:
    if value not in DAYS or not isinstance(value, str):
        raise Wrong
    return DAYS.index(value)


def _day(value: Any) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        raise Wrong from None


def _point(value: Any) -> Point:
    if not isinstance(value, list):
        raise Wrong
    if len(value) != 2:
        given = f"is [{', '.join(shown(one) for one in value)}]"
        if len(value) == 1:
            raise Wrong(f"{given}: one number is missing; it must be {_POINT.allowed}")
        raise Wrong(f"{given}, {len(value)} numbers, but must be two: {_POINT.allowed}")
    try:
        latitude, longitude = (values.number(-180, 180)(one) for one in value)
    except Wrong:
        raise Wrong(
            f"is [{', '.join(values.shown(one) for one in value)}], but must be degrees north, -90"
            " to 90, and east, -180 to 180"
        ) from None
    if not -90 <= latitude <= 90:
        raise Wrong(f"is {shown_pair(value)}, whose latitude is beyond a pole; are they swapped?")
    return Point(latitude, longitude)


def shown_pair(value: Sequence[Decimal | int]) -> str:
    return f"[{value[0]}, {value[1]}]"


_POINT = Key(allowed="degrees north and east in [ ], such as [44.9021, -99.7134]", read=_point)
_DAY = Key(allowed="a day without quotes, such as 2026-08-31", read=_day)
_DAYS = Key(allowed=_DAY.allowed, read=_day, many=True)

CREWS: Mapping[str, Key] = {
    "plan": Key(
        allowed="a table, begun by a line [plan]",
        keys={
            "base": _POINT,
            "road_factor": Key(allowed="a number, 1 to 3, such as 1.3", read=values.number(1, 3)),
            "speed_kmh": Key(allowed="kilometres an hour, 5 to 130", read=values.number(5, 130)),
            "hour_colonies": Key(
                allowed="colonies, above 0 and at most 10, such as 0.25",
                read=values.number(0, 10, above=True),
            ),
            "move_gain": Key(allowed="colonies, 0 to 1000, such as 2", read=values.number(0, 1000)),
            "seconds": Key(allowed="seconds, 1 to 3600, such as 60", read=values.number(1, 3600)),
            "holidays": _DAYS,
            "drives": Key(allowed="the name of a CSV file in quotes", read=values.plain),
        },
    ),
    "crew": Key(
        allowed="[[crew]]",
        many=True,
        keys={
            "name": Key(allowed="1 to 80 characters in quotes", read=values.name, required=True),
            "people": Key(allowed="a whole number of people, 1 to 50", read=values.whole(1, 50)),
            "days": Key(
                allowed='one of "Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"',
                read=_weekday,
                many=True,
            ),
            "hours": Key(
                allowed="hours a day, above 0 and at most 16", read=values.number(0, 16, above=True)
            ),
            "begins": Key(
                allowed='a time of day in quotes, such as "07:30"', read=values.time_of_day
            ),
            "actives": Key(
                allowed='an active in quotes, such as "formic acid"', read=values.plain, many=True
            ),
            "base": _POINT,
            "off": _DAYS,
        },
    ),
    "stock": Key(
        allowed="[[stock]]",
        many=True,
        keys={
            "treatment": Key(
                allowed="the id of a treatment in quotes", read=values.identifier, required=True
            ),
            "strips": Key(
                allowed="a whole number of strips, 0 to 1000000",
                read=values.whole(0, 1_000_000),
                required=True,
            ),
            "on": _DAY,
            "counted": _DAY,
        },
    ),
    "fixed": Key(
        allowed="[[fixed]]",
        many=True,
        keys={
            "yard": Key(allowed="the name of a yard in quotes", read=values.name, required=True),
            "first": Key(allowed=_DAY.allowed, read=_day, required=True),
            "last": Key(allowed=_DAY.allowed, read=_day, required=True),
            "keeps_out": Key(
                allowed='"visits", "treatments" or "both"',
                read=values.one_of(*KEEPS_OUT),
                required=True,
            ),
            "why": Key(allowed="a few words in quotes", read=values.name, required=True),
        },
    ),
}


class Crews(NamedTuple):
    """What crews.toml says, and every mistake in it: each with its file and line. The rows that are
    mistaken are left out of the settings."""

    settings: CrewSettings
    mistakes: tuple[str, ...]


def load(
    folder: Path, *, yards: Collection[str], treatments: Collection[str], actives: Collection[str]
) -> Crews:
    """The crews described in a folder; the default one where the file is not there.

    yards, treatments, actives:  names and ids that rows may speak of

    Raises ConfigError where the file cannot be read at all.
    """
    if not (folder / NAME).exists():
        return Crews(CrewSettings(), ())
    file = config.read(folder, NAME)
    if file.document is None:
        raise ConfigError(file.mistakes())
    faults = file.faults
    sound = read_table(file.document, CREWS, (), faults, whole_file=CREWS)
    _between_keys(sound, faults, yards, treatments, actives)

    def rows(name: str) -> list[dict[str, Any]]:
        return _rows(sound, faults, name)

    plan = sound.get("plan", {})
    crews = tuple(_crew(row) for row in rows("crew"))
    described = "crew" in file.document
    drives, wrong = _drives(folder, plan.get("drives"), yards, crews)
    numbers = {
        key: plan[key]
        for key in ("road_factor", "speed_kmh", "hour_colonies", "move_gain", "seconds", "base")
        if plan.get(key) is not None
    }
    settings = CrewSettings(
        crews=crews if described else CrewSettings().crews,
        assumed=not described,
        stock=tuple(StockRow(**row) for row in rows("stock")),
        fixed=tuple(_fixed(row) for row in rows("fixed")),
        holidays=frozenset(one for one in plan.get("holidays", ()) if one is not None),
        drives=drives,
        written=datetime.fromtimestamp((folder / NAME).stat().st_mtime, UTC),
        **numbers,
    )
    return Crews(settings, (*file.mistakes(), *wrong))


def of(configuration: Configuration) -> Crews:
    """The crews described beside a configuration, whose yards and treatments they may name."""
    return load(
        configuration.folder,
        yards=[yard.name for yard in configuration.yards],
        treatments=[one.id for one in configuration.treatments],
        actives=list(dict.fromkeys(one.active for one in configuration.treatments)),
    )


@lru_cache(maxsize=4)
def fixed_rows(folder: Path, mtime_ns: int, size: int) -> Mapping[str, tuple[FixedRow, ...]]:
    """The days that something else has taken, by yard in lower case, without mistaken rows; kept
    while the file is the same, since a morning asks for each yard.

    mtime_ns, size:  of the file, for that
    """
    file = config.read(folder, NAME)
    if file.document is None:
        return {}
    sound = read_table(file.document, CREWS, (), file.faults, whole_file=CREWS)
    found: dict[str, tuple[FixedRow, ...]] = {}
    for row in _rows(sound, file.faults, "fixed"):
        one = _fixed(row)
        if one.first <= one.last:
            found[one.yard.casefold()] = (*found.get(one.yard.casefold(), ()), one)
    return found


@lru_cache(maxsize=4)
def crew_rows(
    folder: Path, mtime_ns: int, size: int
) -> tuple[tuple[CrewRow, ...], frozenset[date]]:
    """The crews and the holidays, kept as `fixed_rows` are."""
    file = config.read(folder, NAME)
    if file.document is None:
        return (), frozenset()
    sound = read_table(file.document, CREWS, (), file.faults, whole_file=CREWS)
    crews = tuple(_crew(row) for row in _rows(sound, file.faults, "crew") if row.get("days", True))
    holidays = sound.get("plan", {}).get("holidays", ())
    return crews, frozenset(one for one in holidays if one is not None)


def _rows(sound: Mapping[str, Any], faults: Sequence[Fault], name: str) -> list[dict[str, Any]]:
    """The rows of one table that have no fault."""
    bad = {fault.path[:2] for fault in faults if len(fault.path) > 1}
    return [
        row
        for number, row in enumerate(sound.get(name, ()))
        if (name, number) not in bad and isinstance(row, dict)
    ]


def _crew(row: dict[str, Any]) -> CrewRow:
    found = dict(row)
    for key in ("days", "off", "actives"):
        if key in found:
            found[key] = frozenset(found[key])
    return CrewRow(**found)


def _fixed(row: dict[str, Any]) -> FixedRow:
    found = dict(row)
    keeps_out = found.pop("keeps_out")
    return FixedRow(
        **found,
        visits=keeps_out in ("visits", "both"),
        treatments=keeps_out in ("treatments", "both"),
    )


def _between_keys(
    sound: Mapping[str, Any],
    faults: list[Fault],
    yards: Collection[str],
    treatments: Collection[str],
    actives: Collection[str],
) -> None:
    """Mistakes that only two keys together make, or a key and another file."""

    def known(path: tuple[str | int, ...], value: str, among: Collection[str], what: str) -> None:
        if value not in among:
            near = nearest(value, list(among))
            hint = f"; did you mean {shown(near)}?" if near else f": {', '.join(among)}"
            faults.append(Fault(path, f"{path[-1]} is {shown(value)}, which is no {what}{hint}"))

    seen: dict[str, int] = {}
    for number, row in enumerate(sound.get("crew", ())):
        name = row.get("name")
        if name is not None and name.casefold() in seen:
            text = f"name is {shown(name)}, which another crew has already"
            faults.append(Fault(("crew", number, "name"), text))
        elif name is not None:
            seen[name.casefold()] = number
        if "days" in row and not row["days"]:
            faults.append(Fault(("crew", number, "days"), "days is empty; leave the crew out"))
        for active in row.get("actives", ()):
            if active is not None:
                known(("crew", number, "actives"), active, actives, "active of treatments.toml")
    for number, row in enumerate(sound.get("stock", ())):
        if row.get("treatment") is not None:
            path: tuple[str | int, ...] = ("stock", number, "treatment")
            known(path, row["treatment"], treatments, "treatment of treatments.toml")
    _stock_days(sound.get("stock", ()), faults)
    for number, row in enumerate(sound.get("fixed", ())):
        if row.get("yard") is not None:
            known(("fixed", number, "yard"), row["yard"], yards, "yard of yards.toml")
        first, last = row.get("first"), row.get("last")
        if first is not None and last is not None and last < first:
            text = f"last is {last}, before first, {first}; both days are inside"
            faults.append(Fault(("fixed", number, "last"), text))


def _stock_days(rows: Sequence[Mapping[str, Any]], faults: list[Fault]) -> None:
    """Strips that are both counted and delivered, or of one treatment counted on several days."""
    first: dict[str, date | None] = {}
    for number, row in enumerate(rows):
        path = ("stock", number, "counted")
        counted, treatment = row.get("counted"), row.get("treatment")
        if "on" in row and "counted" in row:
            text = "counted is given beside on, the day of a delivery; give one of the two"
            faults.append(Fault(path, text))
        elif treatment is not None and "on" not in row:
            other = first.setdefault(treatment, counted)
            if other != counted:
                text = (
                    f"counted is {counted or 'left out'}, but {other or 'left out'} in another row"
                    f" of {shown(treatment)}; count all of its strips on one day"
                )
                faults.append(Fault(path if counted else ("stock", number, "treatment"), text))


def drives_place(folder: Path, crews: bytes) -> Path | None:
    """Where the table of drives is that the text of a crews.toml names; None: it names none.

    Raises UsageError where that is not in the folder, whose files belong together.
    """
    try:
        plan = tomllib.loads(crews.decode()).get("plan", {})
    except ValueError:
        return None
    name = plan.get("drives") if isinstance(plan, dict) else None
    if not isinstance(name, str) or not name:
        return None
    place = folder / name
    inside = Path(os.path.normpath(place)).is_relative_to(os.path.normpath(folder))
    if not inside or place.name in (*config.FILES, NAME):
        raise UsageError(
            f"the table of drives, {name!r}, is not a file of its own in {folder}; put it there and"
            f" name it without the folder in {NAME}"
        )
    return place


def _drives(
    folder: Path, name: str | None, yards: Collection[str], crews: Sequence[CrewRow]
) -> tuple[tuple[tuple[str, str, float], ...], list[str]]:
    """The rows of the table of drives: from, to, minutes; and what is wrong with others."""
    if name is None:
        return (), []
    path = folder / name
    names = [one.name for one in crews]
    places = {one.casefold(): one for one in (*yards, *names)} | {"base": ""}
    known = {one.casefold() for one in yards}
    shared = {one.name for one in crews if one.base is None and one.name.casefold() not in known}
    found, wrong = [], []
    try:
        rows = list(table_file.rows(path, "from, to, minutes"))
    except UsageError as error:
        return (), [str(error)]
    for line, given in rows:
        cells = [cell.strip() for cell in given]
        if line == 1 and [cell.casefold() for cell in cells] == ["from", "to", "minutes"]:
            continue
        said = _drive(cells, places, shared)
        if isinstance(said, str):
            wrong.append(f"{name}:{line}: {said}")
        else:
            found.append(said)
    return tuple(found), wrong


def _drive(
    cells: Sequence[str], places: Mapping[str, str], shared: Collection[str]
) -> tuple[str, str, float] | str:
    """A row of the table of drives, or what is wrong with it.

    shared:  crews without a base of their own, which are no place
    """
    if len(cells) != 3:
        return f"{len(cells)} cells; wanted: from, to, minutes"
    for cell in cells[:2]:
        if cell.casefold() not in places:
            near = nearest(cell, list(places.values()))
            return f"{shown(cell)} is no yard, no crew and not base" + (
                f"; did you mean {shown(near)}?" if near else ""
            )
        if places[cell.casefold()] in shared:
            return (
                f"{shown(cell)} is a crew without a base of its own, whose days begin at that of"
                ' [plan]; write "base", or give the crew a base'
            )
    try:
        minutes = float(cells[2])
    except ValueError:
        minutes = -1.0
    if not 0 <= minutes <= 1440:
        return f"minutes is {shown(cells[2])}, but must be 0 to 1440"
    return places[cells[0].casefold()], places[cells[1].casefold()], minutes
