"""Which keys the three configuration files know, and what each may hold.

The checker is a table and one short walk rather than a model class per table: `windowcast yard`
reads the configuration each time it runs, and importing a validation library and building its
models takes longer than all the rest of that command. It also lets every mistake be said in the
words beside the key that it concerns.

Numbers arrive as `int` or `Decimal`, so that a bound keeps the digits a person wrote.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from fractions import Fraction
from typing import Any

from windowcast.units import celsius_from_fahrenheit

Path = tuple[str | int, ...]


class Wrong(Exception):  # noqa: N818
    """A value that its key does not allow. The text, where there is one, follows the key's name
    ("is …") and says more than what is allowed."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A mistake: where it is in the document, and what to tell the person."""

    path: Path
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key: a value that `read` understands, or a table of `keys`; `many`: a list of such.

    allowed:  completes "must be …"
    """

    allowed: str
    read: Callable[[Any], Any] | None = None
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
        elif not isinstance(value, list):
            what = _list_of(name, key)
            faults.append(Fault(here, f"{name} is {shown(value)}, but must be {what}"))
        else:
            elements = [
                _read_one(name, element, key, (*here, index), faults, whole_file)
                for index, element in enumerate(value)
            ]
            if key.keys is None:
                elements = [element for element in elements if element is not None]
            sound[name] = elements
    for name, key in keys.items():
        if key.required and name not in given:
            what = _list_of(name, key) if key.many else key.allowed
            faults.append(Fault(path, f"{name} is missing; it must be {what}"))
    return sound


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


def _list_of(name: str, key: Key) -> str:
    if key.keys is None:
        return f"a list in [ ], each one {key.allowed}"
    if name in ("doses", "phases"):
        return f"a list in [ ], each one {key.allowed}"
    return f"a table for each, begun by a line with double brackets: {key.allowed}"


def _unknown(name: str, keys: Mapping[str, Key], whole_file: Mapping[str, Key]) -> str:
    if looks_secret(name):
        return (
            f"{name} is not a setting windowcast knows; a secret does not belong in this file: "
            "name the environment variable that holds it, with password_env under [mail] or "
            "api_key_env under [weather]"
        )
    text = f"{name} is not a setting windowcast knows"
    for table, key in whole_file.items():
        if key.keys is not None and key.keys is not keys and name in key.keys:
            return f"{text} here; it belongs under {f'[[{table}]]' if key.many else f'[{table}]'}"
    near = nearest(name, keys)
    if near:
        return f"{text}; did you mean {near}?"
    return f"{text}; it may be one of: {', '.join(keys)}"


def nearest(name: str, among: Mapping[str, object] | list[str]) -> str | None:
    """The name that a person most likely meant, if one comes near."""
    import difflib

    folded = {other.casefold(): other for other in among}
    close = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.5)
    return folded[close[0]] if close else None


def looks_secret(name: str) -> bool:
    """Whether a key's name says that its value is a secret, which no message may repeat."""
    return re.search(r"(?i)(pass(word|wd|phrase)?|secret|token|api_?key)$", name) is not None


def shown(value: object) -> str:
    """A value as its file would write it, on one line and not too long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, (date, time)):
        return value.isoformat()
    if not isinstance(value, str):
        text = str(value)
        return text if len(text) <= 60 else f"{text[:57]}…"
    text = hide_credentials(value)
    text = text if len(text) <= 60 else f"{text[:57]}…"
    plain = "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode()
        for character in text.replace("\\", "\\\\").replace('"', '\\"')
    )
    return f'"{plain}"'


def hide_credentials(text: str) -> str:
    """The text with the user name and password of any URL in it blotted out."""
    return re.sub(r"(://)[^/\s\"']*@", r"\1***@", text)


def _boolean(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Wrong
    return value


def _figure(value: Any) -> int | Decimal:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        raise Wrong
    if isinstance(value, Decimal) and not value.is_finite():
        raise Wrong
    return value


def _whole(low: int, high: int) -> Callable[[Any], int]:
    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Wrong
        return value

    return read


def _number(low: float, high: float, *, above: bool = False) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        figure = _figure(value)
        if not low <= figure <= high or (above and figure == low):
            raise Wrong
        return float(figure)

    return read


def _celsius(value: Any) -> Fraction:
    figure = _figure(value)
    if not -40 <= figure <= 60:
        raise Wrong
    return Fraction(str(figure))


def _fahrenheit(value: Any) -> Fraction:
    figure = _figure(value)
    if not -40 <= figure <= 140:
        raise Wrong
    return celsius_from_fahrenheit(Fraction(str(figure)))


def _one_of(*choices: str | int) -> Callable[[Any], str | int]:
    def read(value: Any) -> str | int:
        if isinstance(value, bool) or value not in choices or isinstance(value, Decimal):
            raise Wrong
        return value  # type: ignore[no-any-return]

    return read


def _name(value: Any) -> str:
    """A name can end up in a mail header and in a terminal, so nothing in it may steer either."""
    if not isinstance(value, str):
        raise Wrong
    name = unicodedata.normalize("NFC", value.strip())
    if not 1 <= len(name) <= 80:
        raise Wrong
    if not name.isprintable() or not value.isprintable():
        raise Wrong(
            f"is {shown(value)}, which holds a line break or another character that cannot be "
            "seen; write it with letters, digits, punctuation and plain spaces"
        )
    if re.search(r"=\?.*\?=", name):
        raise Wrong(
            f"is {shown(value)}; =?…?= would be taken for an encoded mail header: leave it out"
        )
    return name


def _identifier(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", value):
        raise Wrong
    return value


def _variable(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*|", value):
        # Someone may have pasted the secret itself here.
        raise Wrong("must be the name of an environment variable, such as WINDOWCAST_SECRET")
    return value


def _plain(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise Wrong
    return value


def _user_name(value: Any) -> str:
    if not isinstance(value, str) or (value and not value.isprintable()):
        raise Wrong
    return value


def _time_of_day(value: Any) -> time:
    if not isinstance(value, str) or not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise Wrong
    return time.fromisoformat(value)


_ADDRESS = re.compile(r"[!#-'*+\-./0-9=?A-Z^_`a-z{|}~]{1,64}@[^\W_](?:[\w.-]{0,251}[^\W_])?")


def _address(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise Wrong
    text = value.strip()
    found = re.fullmatch(r'(?:("[^"\\]*"|[^"\\<>,;:@()\[\]]*?)\s*<([^<>]*)>)|([^<>]*)', text)
    address = (found[2] if found[2] is not None else found[3]) if found else ""
    if not _ADDRESS.fullmatch(address) or ".." in address or "=?" in text:
        raise Wrong
    return text


def _url(value: Any) -> str:
    from urllib.parse import urlsplit

    if value == "":
        return ""
    if not isinstance(value, str) or not re.fullmatch(r"[!-~]+", value):
        raise Wrong
    try:
        parts = urlsplit(value)
        host, _ = parts.hostname, parts.port
    except ValueError:
        raise Wrong from None
    if parts.username is not None or parts.password is not None:
        raise Wrong(
            "holds a user name or password; leave them out, and name the environment variable "
            "that holds a key in api_key_env"
        )
    if parts.scheme not in ("https", "http") or not host or "?" in value or "#" in value:
        raise Wrong
    if parts.scheme == "http" and not is_loopback(host):
        raise Wrong(
            f"is {shown(value)}; http is allowed only to this machine (localhost, 127.0.0.1, "
            "::1): write https"
        )
    return value


def _store_url(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise Wrong
    if not re.fullmatch(r"sqlite:///[^\s].*|postgresql\+psycopg://\S+", value):
        raise Wrong
    return value


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this machine by its writing; nothing is looked up."""
    import ipaddress

    if host.casefold() in ("localhost", "localhost."):
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _host(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9._:\[\]-]{1,253}", value):
        raise Wrong
    return value


def _time_zone(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise Wrong
    if value == "UTC":
        return value
    if "/" not in value:
        raise Wrong(
            f'is {shown(value)}, but must be a region and a city such as "America/Chicago": an '
            f"abbreviation does not say when clocks change{_zone_hint(value)}"
        )
    if not zone_exists(value):
        raise Wrong(
            f"is {shown(value)}, which is no time zone{_zone_hint(value)}; or leave it out, and "
            "it is found from the coordinates"
        )
    return value


def zone_exists(name: str) -> bool:
    """Whether the time zone database knows this name."""
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _zone_hint(name: str) -> str:
    from zoneinfo import available_timezones

    known = sorted(available_timezones())
    city = name.rpartition("/")[2].replace(" ", "_").casefold()
    by_city = [zone for zone in known if "/" in zone and zone.rpartition("/")[2].casefold() == city]
    near = by_city[0] if by_city else nearest(name, [zone for zone in known if "/" in zone])
    return f"; did you mean {near}?" if near else ""


def _url_key(source: str) -> Key:
    return Key(
        allowed=f'the https:// address of the {source} service without "?" and "#", '
        'or "" for no such source',
        read=_url,
    )


def _switch() -> Key:
    return Key(allowed="true or false", read=_boolean)


def _time_key() -> Key:
    return Key(
        allowed='a time of day in quotes, from "00:00" to "23:59", such as "06:00"',
        read=_time_of_day,
    )


def _chance_key() -> Key:
    return Key(allowed="a chance from 0 to 1, such as 0.8", read=_number(0, 1))


def _celsius_key() -> Key:
    return Key(allowed="degrees Celsius, -40 to 60", read=_celsius)


def _fahrenheit_key() -> Key:
    return Key(allowed="degrees Fahrenheit, -40 to 140", read=_fahrenheit)


def _name_key() -> Key:
    return Key(allowed="1 to 80 characters in quotes", read=_name, required=True)


def _id_key() -> Key:
    return Key(
        allowed='1 to 40 letters, digits, "-", "." or "_" in quotes, without spaces, such as '
        '"two-strips"',
        read=_identifier,
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
    "units": Key(allowed='"C" or "F"', read=_one_of("C", "F")),
    "weather": Key(
        allowed="a table, begun by a line [weather]",
        keys={
            "provider": Key(
                allowed='"open-meteo" or "sample"', read=_one_of("open-meteo", "sample")
            ),
            "forecast_url": _url_key("forecast"),
            "ensemble_url": _url_key("ensemble"),
            "seasonal_url": _url_key("seasonal"),
            "archive_url": _url_key("archive"),
            "ensemble_model": Key(allowed="the name of a model in quotes", read=_identifier),
            "max_age_hours": Key(
                allowed="hours, above 0 and at most 240", read=_number(0, 240, above=True)
            ),
            "api_key_env": Key(
                allowed='the name of an environment variable, or "" for none', read=_variable
            ),
            "calls_per_minute": Key(allowed="a number, 0 for no limit", read=_number(0, 10**6)),
            "calls_per_day": Key(allowed="a number, 0 for no limit", read=_number(0, 10**9)),
            "sample_season": Key(
                allowed='"late-summer" or "early-winter"',
                read=_one_of("late-summer", "early-winter"),
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
        keys={"calibrate": _switch(), "climate": _switch()},
    ),
    "morning": Key(
        allowed="a table, begun by a line [morning]",
        keys={"at": _time_key(), "late_until": _time_key()},
    ),
    "store": Key(
        allowed="a table, begun by a line [store]",
        keys={
            "url": Key(
                allowed='"sqlite:///" and a file name, or "postgresql+psycopg://" and a server',
                read=_store_url,
            )
        },
    ),
    "mail": Key(
        allowed="a table, begun by a line [mail]",
        keys={
            "host": Key(
                allowed='the name of the mail server in quotes, such as "smtp.example.org"',
                read=_host,
                required=True,
            ),
            "port": Key(allowed="a whole number from 1 to 65535", read=_whole(1, 65535)),
            "security": Key(
                allowed='"starttls", "tls" or "none"', read=_one_of("starttls", "tls", "none")
            ),
            "username": Key(allowed="the name to log in with, in quotes", read=_user_name),
            "password_env": Key(
                allowed="the name of an environment variable in quotes", read=_variable
            ),
            "password_file": Key(allowed="the name of a file in quotes", read=_plain),
            "sender": Key(allowed=_ADDRESS_WORDS, read=_address, required=True),
            "recipients": Key(allowed=_ADDRESS_WORDS, read=_address, many=True, required=True),
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
                allowed="degrees north, -90 to 90", read=_number(-90, 90), required=True
            ),
            "longitude": Key(
                allowed="degrees east, -180 to 180", read=_number(-180, 180), required=True
            ),
            "elevation_m": Key(
                allowed="metres above sea level, -450 to 9000", read=_number(-450, 9000)
            ),
            "timezone": Key(
                allowed='a region and a city in quotes, such as "America/Chicago"',
                read=_time_zone,
            ),
            "colonies": Key(
                allowed="a whole number of colonies, at least 1",
                read=_whole(1, 100_000),
                required=True,
            ),
            "brood_chambers": Key(allowed="1 or 2", read=_one_of(1, 2)),
            "supers": Key(
                allowed="the whole number of honey supers on now, 0 to 20", read=_whole(0, 20)
            ),
            "floor": Key(allowed='"screened" or "solid"', read=_one_of("screened", "solid")),
            "queen_excluder": _switch(),
            "brood": _switch(),
            "treatments": Key(
                allowed="the id of a treatment in treatments.toml", read=_identifier, many=True
            ),
            "recipients": Key(allowed=_ADDRESS_WORDS, read=_address, many=True),
        },
    )
}

DOSE: Mapping[str, Key] = {
    "day": Key(
        allowed="a day of the exposure, a whole number from 0",
        read=_whole(0, 365),
        required=True,
    ),
    "strips": Key(allowed="a whole number of strips per colony, 1 to 20", read=_whole(1, 20)),
    "ml_per_seam": Key(
        allowed="millilitres per seam of bees, above 0 and at most 50",
        read=_number(0, 50, above=True),
    ),
    "g_per_chamber": Key(
        allowed="grams per brood chamber, above 0 and at most 100",
        read=_number(0, 100, above=True),
    ),
    "g": Key(allowed="grams per colony, above 0 and at most 500", read=_number(0, 500, above=True)),
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
                allowed="a whole number of honey supers, 0 (all off) to 20", read=_whole(0, 20)
            ),
            "needs_broodless": _switch(),
            "kills_under_cappings": _switch(),
            "danger_c": _celsius_key(),
            "danger_f": _fahrenheit_key(),
            "danger_days": Key(allowed="a whole number of days, 1 to 60", read=_whole(1, 60)),
            "hive_shut": _switch(),
            "regimen": Key(
                allowed="[[treatment.regimen]]",
                many=True,
                required=True,
                keys={
                    "id": _id_key(),
                    "exposure_days": Key(
                        allowed="a whole number of days, 1 to 120",
                        read=_whole(1, 120),
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
                    "phases": Key(
                        allowed="such as { first_day = 0, last_day = 2, high_max_c = 27.0 }",
                        many=True,
                        keys={
                            "first_day": Key(
                                allowed="a day of the exposure, a whole number from 0",
                                read=_whole(0, 365),
                                required=True,
                            ),
                            "last_day": Key(
                                allowed="a day of the exposure, a whole number from 0",
                                read=_whole(0, 365),
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
