"""Which keys the three configuration files know, and what each may hold.

The checker is a table and one short walk rather than a model class per table: `windowcast yard`
reads the configuration each time it runs, and importing a validation library and building its
models takes longer than all the rest of that command. It also lets every mistake be said in the
words beside the key that it concerns.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from windowcast.edges import config_values as values
from windowcast.edges.config_values import Wrong, looks_secret, nearest, shown

Path = tuple[str | int, ...]


class Fault(NamedTuple):
    """A mistake: where it is in the document, and what to tell the person."""

    path: Path
    text: str


class Key(NamedTuple):
    """One key: a value that `read` understands, or a table of `keys`; `many`: a list of such.

    allowed:  completes "must be …"
    """

    allowed: str
    read: values.Reader | None = None
    keys: Mapping[str, Key] | None = None
    many: bool = False
    required: bool = False


def read_table(
    given: Mapping[str, Any],
    keys: Mapping[str, Key],
    path: Path,
    faults: list[Fault],
    *,
    whole_file: Mapping[str, Key],
) -> dict[str, Any]:
    """The sound values of a table, converted.

    What is not sound is left out and told in `faults`, so that the checks between keys can still
    look at the rest.
    """
    sound: dict[str, Any] = {}
    for name, value in given.items():
        here = (*path, name)
        key = keys.get(name)
        if key is None:
            faults.append(Fault(here, _unknown(name, keys, whole_file)))
        elif not key.many:
            found = _read_one(name, value, key, here, faults, whole_file)
            if found is not None:
                sound[name] = found
        elif not isinstance(value, list) and key.allowed.startswith("[["):
            text = f"{name} may be there more than once: write {key.allowed}, with double brackets"
            faults.append(Fault(here, text))
        elif not isinstance(value, list):
            what = _list_of(key)
            faults.append(Fault(here, f"{name} is {shown(value)}, but must be {what}"))
        else:
            elements = [
                _read_one(name, element, key, (*here, index), faults, whole_file)
                for index, element in enumerate(value)
            ]
            sound[name] = elements
    # A key that is only misspelt is told once, where it stands.
    meant = {nearest(name, keys) for name in given if name not in keys}
    for name, key in keys.items():
        if key.required and name not in given and name not in meant:
            if key.many and key.allowed.startswith("[["):
                faults.append(Fault(path, none_described(name, key)))
            else:
                what = _list_of(key) if key.many else key.allowed
                faults.append(Fault(path, f"{name} is missing; it must be {what}"))
    return sound


def none_described(name: str, key: Key) -> str:
    """What to tell of an array of tables that is not there or empty."""
    return f"no {name} is described; begin each with a line {key.allowed}"


def _read_one(
    name: str,
    value: Any,
    key: Key,
    path: Path,
    faults: list[Fault],
    whole_file: Mapping[str, Key],
) -> Any:
    if key.keys is not None:
        if isinstance(value, dict):
            return read_table(value, key.keys, path, faults, whole_file=whole_file)
        faults.append(Fault(path, f"{name} {_holds(key, value)} {key.allowed}"))
        return {} if key.many else None
    assert key.read is not None
    try:
        return key.read(value)
    except Wrong as wrong:
        said = str(wrong)
        faults.append(Fault(path, f"{name} {said or f'{_holds(key, value)} {key.allowed}'}"))
        return None


def _holds(key: Key, value: object) -> str:
    if key.many:
        return f"holds {shown(value)}, but each one must be"
    return f"is {shown(value)}, but must be"


def _list_of(key: Key) -> str:
    return f"a list in [ ], each one {key.allowed}"


def _unknown(name: str, keys: Mapping[str, Key], whole_file: Mapping[str, Key]) -> str:
    if looks_secret(name):
        return (
            f"{name} is not a setting windowcast knows; a secret does not belong in this file: "
            "name the environment variable that holds it, with password_env under [mail] or "
            "[store], or api_key_env under [weather]"
        )
    text = f"{name} is not a setting windowcast knows"
    for table, key in whole_file.items():
        if key.keys is not None and key.keys is not keys and name in key.keys:
            return f"{text} here; it belongs under {f'[[{table}]]' if key.many else f'[{table}]'}"
    near = nearest(name, keys)
    if near:
        return f"{text}; did you mean {near}?"
    return f"{text}; it may be one of: {', '.join(keys)}"


def _url_key(source: str) -> Key:
    return Key(
        allowed=f'the https:// address of the {source} service without "?" and "#", '
        'or "" for no such source',
        read=values.url,
    )


def _switch() -> Key:
    return Key(allowed="true or false", read=values.boolean)


def _time_key() -> Key:
    return Key(
        allowed='a time of day in quotes, from "00:00" to "23:59", such as "06:00"',
        read=values.time_of_day,
    )


def _day_of_year_key() -> Key:
    return Key(
        allowed='a day of the year in quotes, month and day, such as "08-20"; "" for the built-in',
        read=values.day_of_year,
    )


def _chance_key() -> Key:
    return Key(allowed="a chance from 0 to 1, such as 0.8", read=values.number(0, 1))


def _celsius_key() -> Key:
    return Key(allowed="degrees Celsius, -40 to 60", read=values.celsius)


def _fahrenheit_key() -> Key:
    return Key(allowed="degrees Fahrenheit, -40 to 140", read=values.fahrenheit)


def _name_key() -> Key:
    return Key(allowed="1 to 80 characters in quotes", read=values.name, required=True)


def _percent_range_key() -> Key:
    return Key(
        allowed="two per cents in [ ], lowest and highest, such as [80, 95]",
        read=values.percent_range,
    )


def _id_key() -> Key:
    return Key(
        allowed='1 to 40 letters, digits, "-", "." or "_" in quotes, without spaces, such as '
        '"two-strips"',
        read=values.identifier,
        required=True,
    )


_ADDRESS_WORDS = 'a mail address such as "crew@example.org" or "The crew <crew@example.org>"'

_BOUNDS = {
    "high_min_c": _celsius_key(),
    "high_min_f": _fahrenheit_key(),
    "high_max_c": _celsius_key(),
    "high_max_f": _fahrenheit_key(),
}

WINDOWCAST: Mapping[str, Key] = {
    "units": Key(allowed='"C" or "F"', read=values.one_of("C", "F")),
    "language": Key(allowed=values.LANGUAGE_WORDS, read=values.language),
    "weather": Key(
        allowed="a table, begun by a line [weather]",
        keys={
            "provider": Key(
                allowed='"open-meteo" or "sample"', read=values.one_of("open-meteo", "sample")
            ),
            "forecast_url": _url_key("forecast"),
            "ensemble_url": _url_key("ensemble"),
            "seasonal_url": _url_key("seasonal"),
            "archive_url": _url_key("archive"),
            "previous_runs_url": _url_key("previous runs"),
            "single_runs_url": _url_key("single runs"),
            "contact": Key(
                allowed='a mail address or an https:// address at which you can be reached, or ""',
                read=values.contact,
            ),
            "metno_url": _url_key("MET Norway"),
            "nws_url": _url_key("US National Weather Service"),
            "ensemble_model": Key(allowed="the name of a model in quotes", read=values.identifier),
            "max_age_hours": Key(
                allowed="hours, above 0 and at most 240", read=values.number(0, 240, above=True)
            ),
            "api_key_env": Key(
                allowed='the name of an environment variable, or "" for none', read=values.variable
            ),
            "calls_per_minute": Key(
                allowed="a number, 0 for no limit", read=values.number(0, 10**6)
            ),
            "calls_per_day": Key(allowed="a number, 0 for no limit", read=values.number(0, 10**9)),
            "share_cells": _switch(),
            "once_a_run": _switch(),
            "sample_season": Key(
                allowed='"late-summer" or "early-winter"',
                read=values.one_of("late-summer", "early-winter"),
            ),
        },
    ),
    "decision": Key(
        allowed="a table, begun by a line [decision]",
        keys={
            "min_chance": _chance_key(),
            "max_danger": _chance_key(),
            "cancel_below": _chance_key(),
            "day_ends": _time_key(),
        },
    ),
    "chance": Key(
        allowed="a table, begun by a line [chance]",
        keys={
            name: _switch()
            for name in ("calibrate", "climate", "regress", "spread", "recent", "extended")
        },
    ),
    "season": Key(
        allowed="a table, begun by a line [season]",
        keys={
            "winter_bees": _day_of_year_key(),
            "counts_from": _day_of_year_key(),
            "threshold_percent": Key(
                allowed="mites per 100 bees, above 0 and at most 50",
                read=values.number(0, 50, above=True),
                many=True,
            ),
            "growth_per_day": Key(
                allowed="a rate per day, above 0 and at most 0.1, such as 0.021",
                read=values.number(0, 0.1, above=True),
            ),
            "requeen_days": Key(allowed="a whole number of days", read=values.whole(0, 120)),
        },
    ),
    "work": Key(
        allowed="a table, begun by a line [work]",
        keys={
            **{
                name: Key(allowed="minutes for one colony, 0 to 120", read=values.number(0, 120))
                for name in (
                    "apply_minutes",
                    "swap_minutes",
                    "remove_minutes",
                    "trickle_minutes",
                    "vapour_minutes",
                    "count_minutes",
                    "queen_check_minutes",
                )
            },
            "yard_minutes": Key(
                allowed="minutes at a yard before the first colony, 0 to 480",
                read=values.number(0, 480),
            ),
            "spare_percent": Key(
                allowed="per cent of strips to bring besides, 0 to 100",
                read=values.number(0, 100),
            ),
            "open_min_c": _celsius_key(),
            "open_min_f": _fahrenheit_key(),
            "open_max_rain_mm": Key(
                allowed="millimetres of rain in the working day, 0 to 100",
                read=values.number(0, 100),
            ),
            "open_max_wind_kmh": Key(
                allowed="kilometres an hour, above 0 and at most 150",
                read=values.number(0, 150, above=True),
            ),
        },
    ),
    "morning": Key(
        allowed="a table, begun by a line [morning]",
        keys={
            "at": _time_key(),
            "late_until": _time_key(),
            "watch_hours": Key(
                allowed="hours, 0 (only in the morning) to 24", read=values.number(0, 24)
            ),
            "portion": Key(
                allowed="a whole number of yards, 1 to 100000", read=values.whole(1, 100_000)
            ),
        },
    ),
    "health": Key(
        allowed="a table, begun by a line [health]",
        keys={
            "listen": Key(
                allowed='an address of this machine and a port, "127.0.0.1:9187", or "" for none',
                read=values.listen,
            ),
            "anywhere": _switch(),
            "heartbeat_url_env": Key(
                allowed='the name of an environment variable, or "" for none', read=values.variable
            ),
        },
    ),
    "web": Key(
        allowed="a table, begun by a line [web]",
        keys={
            "listen": Key(
                allowed='an address of this machine and a port, such as "127.0.0.1:8017"',
                read=values.listen_somewhere,
            ),
            "token_env": Key(
                allowed="the name of an environment variable in quotes", read=values.variable
            ),
            "token_file": Key(allowed="the name of a file in quotes", read=values.plain),
            "public_url": Key(
                allowed='an address without a path, such as "https://bees.example.org", or ""',
                read=values.origin,
            ),
        },
    ),
    "store": Key(
        allowed="a table, begun by a line [store]",
        keys={
            "url": Key(
                allowed='"sqlite:///" and a file name, or "postgresql+psycopg://user@host/database"',
                read=values.store_url,
            ),
            "password_env": Key(
                allowed="the name of an environment variable in quotes", read=values.variable
            ),
            "password_file": Key(allowed="the name of a file in quotes", read=values.plain),
        },
    ),
    "push": Key(
        allowed="a table, begun by a line [push]",
        keys={
            "urls_env": Key(
                allowed="the name of an environment variable in quotes", read=values.variable
            ),
            "urls_file": Key(allowed="the name of a file in quotes", read=values.plain),
        },
    ),
    "mail": Key(
        allowed="a table, begun by a line [mail]",
        keys={
            "host": Key(
                allowed='the name of the mail server in quotes, such as "smtp.example.org"',
                read=values.host,
                required=True,
            ),
            "port": Key(allowed="a whole number from 1 to 65535", read=values.whole(1, 65535)),
            "security": Key(
                allowed='"starttls", "tls" or "none"', read=values.one_of("starttls", "tls", "none")
            ),
            "username": Key(allowed="the name to log in with, in quotes", read=values.user_name),
            "password_env": Key(
                allowed="the name of an environment variable in quotes", read=values.variable
            ),
            "password_file": Key(allowed="the name of a file in quotes", read=values.plain),
            "sender": Key(allowed=_ADDRESS_WORDS, read=values.address, required=True),
            "recipients": Key(
                allowed=_ADDRESS_WORDS, read=values.recipient, many=True, required=True
            ),
            "quiet_from": _time_key(),
            "quiet_until": _time_key(),
            "html": _switch(),
            "pictures": _switch(),
        },
    ),
}

YARDS: Mapping[str, Key] = {
    "yard": Key(
        allowed="[[yard]]",
        many=True,
        required=True,
        keys={
            "name": _name_key(),
            "latitude": Key(
                allowed="degrees north, -90 to 90", read=values.number(-90, 90), required=True
            ),
            "longitude": Key(
                allowed="degrees east, -180 to 180", read=values.number(-180, 180), required=True
            ),
            "elevation_m": Key(
                allowed="metres above sea level, -450 to 9000", read=values.number(-450, 9000)
            ),
            "timezone": Key(
                allowed='a region and a city in quotes, such as "America/Chicago"',
                read=values.time_zone,
            ),
            "colonies": Key(
                allowed="a whole number of colonies, at least 1",
                read=values.whole(1, 100_000),
                required=True,
            ),
            "brood_chambers": Key(allowed="1 or 2", read=values.one_of(1, 2)),
            "supers": Key(
                allowed="the whole number of honey supers on now, 0 to 20", read=values.whole(0, 20)
            ),
            "floor": Key(allowed='"screened" or "solid"', read=values.one_of("screened", "solid")),
            "queen_excluder": _switch(),
            "brood": _switch(),
            "treatments": Key(
                allowed="the id of a treatment in treatments.toml",
                read=values.identifier,
                many=True,
            ),
            "recipients": Key(allowed=_ADDRESS_WORDS, read=values.recipient, many=True),
        },
    )
}

DOSE: Mapping[str, Key] = {
    "day": Key(
        allowed="a day of the exposure, a whole number from 0",
        read=values.whole(0, 365),
        required=True,
    ),
    "strips": Key(allowed="a whole number of strips per colony, 1 to 20", read=values.whole(1, 20)),
    "strips_per_chamber": Key(
        allowed="a whole number of strips per brood chamber, 1 to 20", read=values.whole(1, 20)
    ),
    "ml_per_seam": Key(
        allowed="millilitres per seam of bees, above 0 and at most 50",
        read=values.number(0, 50, above=True),
    ),
    "g_per_chamber": Key(
        allowed="grams per brood chamber, above 0 and at most 100",
        read=values.number(0, 100, above=True),
    ),
    "g": Key(
        allowed="grams per colony, above 0 and at most 500", read=values.number(0, 500, above=True)
    ),
}

TREATMENTS: Mapping[str, Key] = {
    "treatment": Key(
        allowed="[[treatment]]",
        many=True,
        required=True,
        keys={
            "id": _id_key(),
            "active": _name_key(),
            "form": _name_key(),
            "max_supers": Key(
                allowed="a whole number of honey supers, 0 (all off) to 20",
                read=values.whole(0, 20),
            ),
            "needs_broodless": _switch(),
            "kills_under_cappings": _switch(),
            "danger_c": _celsius_key(),
            "danger_f": _fahrenheit_key(),
            "danger_days": Key(allowed="a whole number of days, 1 to 60", read=values.whole(1, 60)),
            "hive_shut": _switch(),
            "honey_days": Key(
                allowed="a whole number of days after removal before honey may be taken, 0 to 365",
                read=values.whole(0, 365),
            ),
            "supers_after_days": Key(
                allowed="a whole number of days after removal before supers may go on, 0 to 365",
                read=values.whole(0, 365),
            ),
            "acid_g_per_litre": Key(
                allowed="grams of acid (dihydrate) in a litre of syrup, above 0 and at most 200",
                read=values.number(0, 200, above=True),
            ),
            "efficacy_percent": _percent_range_key(),
            "efficacy_with_brood_percent": _percent_range_key(),
            "strips_in_a_pack": Key(
                allowed="a whole number of strips, at least 1", read=values.whole(1, 10_000)
            ),
            "regimen": Key(
                allowed="[[treatment.regimen]]",
                many=True,
                required=True,
                keys={
                    "id": _id_key(),
                    "exposure_days": Key(
                        allowed="a whole number of days, 1 to 120",
                        read=values.whole(1, 120),
                        required=True,
                    ),
                    "doses": Key(
                        allowed="such as { day = 0, strips = 1 }",
                        many=True,
                        required=True,
                        keys=DOSE,
                    ),
                    **_BOUNDS,
                    "cool_only_c": _celsius_key(),
                    "cool_only_f": _fahrenheit_key(),
                    "dose_early_days": Key(
                        allowed="a whole number of days that a fresh dose may come early, 0 to 30",
                        read=values.whole(0, 30),
                    ),
                    "dose_late_days": Key(
                        allowed="a whole number of days that a fresh dose may come late, 0 to 30",
                        read=values.whole(0, 30),
                    ),
                    "removal_late_days": Key(
                        allowed="a whole number of days that a removal may come late, 0 to 60",
                        read=values.whole(0, 60),
                    ),
                    "phases": Key(
                        allowed="such as { first_day = 0, last_day = 2, high_max_c = 27.0 }",
                        many=True,
                        keys={
                            "first_day": Key(
                                allowed="a day of the exposure, a whole number from 0",
                                read=values.whole(0, 365),
                                required=True,
                            ),
                            "last_day": Key(
                                allowed="a day of the exposure, a whole number from 0",
                                read=values.whole(0, 365),
                                required=True,
                            ),
                            **_BOUNDS,
                        },
                    ),
                },
            ),
        },
    )
}
