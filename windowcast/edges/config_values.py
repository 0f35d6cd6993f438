"""What a single value in a configuration file may be, and how to say it back to a person.

Each reader gives the value as windowcast uses it, or raises `Wrong`. Numbers arrive as `int` or
`Decimal`, so that a bound keeps the digits a person wrote; true and false are not numbers.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from datetime import date, time
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NamedTuple

from windowcast.edges.store_address import for_library, names_server
from windowcast.units import celsius_from_fahrenheit

if TYPE_CHECKING:
    from urllib.parse import SplitResult

Reader = Callable[[Any], Any]


class Wrong(Exception):
    """A value that its key does not allow. The text, where there is one, follows the key's name
    ("is …") and says more than what is allowed."""


def nearest(name: str, among: Mapping[str, object] | list[str]) -> str | None:
    """The name that a person most likely meant, if one comes near."""
    import difflib

    wanted = name.casefold()
    folded = {other.casefold(): other for other in among}
    if len(wanted) >= 3:
        # "lat" is far from "latitude" by the count of letters.
        for other in folded:
            if other.startswith(wanted):
                return folded[other]
    close = difflib.get_close_matches(wanted, folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def looks_secret(name: str) -> bool:
    """Whether a key's name says that its value is a secret, which no message may repeat."""
    return re.search(r"(?i)(pass(word|wd|phrase)?|secret|token|api_?key)$", name) is not None


def shown(value: object, *, longest: int = 60) -> str:
    """A value as its file would write it, on one line and not too long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        if any(isinstance(one, (dict, list)) for one in value):
            return "a list"
        return _short(f"[{', '.join(map(shown, value))}]", longest)
    if isinstance(value, (date, time)):
        return value.isoformat()
    if not isinstance(value, str):
        text = str(value)
        if isinstance(value, Decimal) and not value.is_finite():
            text = "nan" if value.is_nan() else "-inf" if value < 0 else "inf"
        return _short(text, longest)
    text = hide_credentials(value)
    text = _short(text, longest)
    plain = "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode()
        for character in text.replace("\\", "\\\\").replace('"', '\\"')
    )
    return f'"{plain}"'


def _short(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def hide_credentials(text: str) -> str:
    """The text with what may be secret in the URLs in it blotted out: user, password, query."""
    # A password may itself hold a slash or a blank.
    text = re.sub(r"(postgres[a-z+]*://).*@", r"\1***@", text)
    text = re.sub(r"(://)[^/\s\"']*@", r"\1***@", text)
    return re.sub(r"(://[^\s\"'?]*\?)[^\s\"']+", r"\1***", text)


def boolean(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Wrong
    return value


def _figure(value: Any) -> int | Decimal:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        raise Wrong
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise Wrong
        # A fraction made from 1e-999999999 would fill the memory with zeros.
        if (value.adjusted() < -15 and value != 0) or len(value.as_tuple().digits) > 30:
            raise Wrong(f"is {shown(value)}, which has more digits than can be meant")
    return value


def whole(low: int, high: int) -> Callable[[Any], int]:
    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Wrong
        return value

    return read


def number(low: float, high: float, *, above: bool = False) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        figure = _figure(value)
        if not low <= figure <= high or (above and figure == low):
            raise Wrong
        return float(figure)

    return read


def celsius(value: Any) -> Fraction:
    figure = _figure(value)
    if 60 < figure <= 140:
        raise Wrong(
            f"is {shown(figure)}, but must be degrees Celsius, -40 to 60; for degrees Fahrenheit "
            "write the key with _f at its end"
        )
    if not -40 <= figure <= 60:
        raise Wrong
    return Fraction(str(figure))


def fahrenheit(value: Any) -> Fraction:
    figure = _figure(value)
    if not -40 <= figure <= 140:
        raise Wrong
    return celsius_from_fahrenheit(Fraction(str(figure)))


def one_of(*choices: str | int) -> Callable[[Any], str | int]:
    def read(value: Any) -> str | int:
        if isinstance(value, bool) or value not in choices or isinstance(value, Decimal):
            raise Wrong
        return value  # type: ignore[no-any-return]

    return read


def composed(text: str) -> str:
    """One of the two ways to write a letter with a mark, as names are compared and kept."""
    return unicodedata.normalize("NFC", text.strip())


def name(value: Any) -> str:
    """A name can end up in a mail header and in a terminal, so nothing in it may steer either."""
    if not isinstance(value, str):
        raise Wrong
    text = composed(value)
    if not 1 <= len(text) <= LONGEST_NAME:
        raise Wrong
    if not text.isprintable() or not value.isprintable():
        raise Wrong(
            f"is {shown(value)}, which holds a line break or another character that cannot be "
            "seen; write it with letters, digits, punctuation and plain spaces"
        )
    if re.search(r"=\?.*\?=", text):
        raise Wrong(
            f"is {shown(value)}; =?…?= would be taken for an encoded mail header: leave it out"
        )
    return text


def identifier(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", value):
        raise Wrong
    return value


def variable(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*|", value):
        # Someone may have pasted the secret itself here.
        raise Wrong("must be the name of an environment variable, such as WINDOWCAST_SECRET")
    return value


def plain(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise Wrong
    return value


def user_name(value: Any) -> str:
    if not isinstance(value, str) or (value and not value.isprintable()):
        raise Wrong
    return value


def time_of_day(value: Any) -> time:
    if not isinstance(value, str) or not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise Wrong
    return time.fromisoformat(value)


def day_of_year(value: Any) -> tuple[int, int] | None:
    """Month and day; None for "". February 29 is none: it is not there in most years."""
    if value == "":
        return None
    if not isinstance(value, str) or not re.fullmatch(r"[01][0-9]-[0-3][0-9]", value):
        raise Wrong
    try:
        found = date.fromisoformat(f"2025-{value}")
    except ValueError:
        raise Wrong from None
    return found.month, found.day


def percent_range(value: Any) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise Wrong
    low, high = (number(0, 100)(one) for one in value)
    if low > high:
        raise Wrong
    return low, high


_ADDRESS = re.compile(r"[!#-'*+\-./0-9=?A-Z^_`a-z{|}~]{1,64}@[^\W_](?:[\w.-]{0,251}[^\W_])?")
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
LONGEST_NAME = 80


def address(value: Any) -> str:
    """A mail address, bare or beside a name; nothing that a letter could not be composed for."""
    if not isinstance(value, str) or not value.isprintable():
        raise Wrong
    text = value.strip()
    found = re.fullmatch(r'(?:("[^"\\]*"|[^"\\<>,;:@()\[\]]*?)\s*<([^<>]*)>)|([^<>]*)', text)
    bare = (found[2] if found[2] is not None else found[3]) if found else ""
    if not _ADDRESS.fullmatch(bare) or "=?" in text:
        raise Wrong
    local_part, _, domain = bare.rpartition("@")
    try:
        domain = domain.encode("ascii" if domain.isascii() else "idna").decode("ascii")
    except UnicodeError:
        raise Wrong from None
    # RFC 5321, 4.5.3.1.3: a path has at most 256 octets, its < and > among them.
    if (
        "" in local_part.split(".")
        or not re.fullmatch(rf"{_LABEL}(?:\.{_LABEL})*", domain)
        or len(f"{local_part}@{domain}") > 254
    ):
        raise Wrong
    named = ((found[1] if found else None) or "").strip('"')
    if len(named) > LONGEST_NAME:
        raise Wrong(
            f"has a name of {len(named)} characters beside {shown(bare)}, but may have at most"
            f" {LONGEST_NAME}"
        )
    return text


def bare(text: str) -> str:
    """An address without the name beside it."""
    return text.rpartition("<")[2].removesuffix(">").strip()


class Recipient(NamedTuple):
    """One who is told, with what they want.

    when:   "always": every morning; "news": only mornings on which something has changed
    yards:  names of the only yards they are told of; None: of all that concern them
    language: the name of the one they read; "": that of the configuration
    """

    address: str
    when: str = "always"
    yards: tuple[str, ...] | None = None
    language: str = ""


def contact(value: Any) -> str:
    """A mail address or a page, for a User-Agent; "" for none."""
    if value == "":
        return ""
    if isinstance(value, str) and re.fullmatch(r"https://[^\s()<>]{4,200}", value):
        return value
    return address(value)


def recipient(value: Any) -> str | Recipient:
    """A mail address, or a table of one with what it wants."""
    if not isinstance(value, dict):
        return address(value)
    for key in value:
        if key not in Recipient._fields:
            near = nearest(key, dict.fromkeys(Recipient._fields))
            hint = f"; did you mean {near}?" if near else ""
            raise Wrong(
                f"has a table with {key}, but may have {', '.join(Recipient._fields)}{hint}"
            )
    if "address" not in value:
        raise Wrong('has a table without an address, such as { address = "crew@example.org" }')
    try:
        where = address(value["address"])
    except Wrong as wrong:
        why = str(wrong) or f"has a table with address {shown(value['address'])}, which is none"
        raise Wrong(why) from None
    when = value.get("when", "always")
    if when not in ("always", "news"):
        raise Wrong(f'has a table with when {shown(when)}, but it must be "always" or "news"')
    yards = value.get("yards")
    if yards is not None and not (
        isinstance(yards, list) and yards and all(isinstance(one, str) for one in yards)
    ):
        raise Wrong("has a table with yards, which must be names of yards in [ ], at least one")
    names = None if yards is None else tuple(composed(one) for one in yards)
    spoken = value.get("language", "")
    try:
        spoken = language(spoken) if "language" in value else ""
    except Wrong:
        raise Wrong(
            f"has a table with language {shown(spoken)}, but it must be {LANGUAGE_WORDS}"
        ) from None
    return Recipient(where, when, names, spoken)


LANGUAGE_WORDS = 'the name of a language file, such as "en" or "de"'


def language(value: Any) -> str:
    """A tag of BCP 47, as far as a file can be named so."""
    if not isinstance(value, str) or not re.fullmatch(
        r"[A-Za-z]{2,3}([-_][A-Za-z0-9]{2,8})*", value
    ):
        raise Wrong
    return value


def _parted(value: Any) -> SplitResult:
    """An address in its parts, of which all can be read."""
    from urllib.parse import urlsplit

    if not isinstance(value, str) or not re.fullmatch(r"[!-~]+", value):
        raise Wrong
    try:
        parts = urlsplit(value)
        _ = parts.hostname, parts.port
    except ValueError:
        raise Wrong from None
    return parts


def url(value: Any) -> str:
    if value == "":
        return ""
    parts = _parted(value)
    host = parts.hostname
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
    return str(value)


def store_url(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise Wrong
    if names_server(value):
        try:
            for_library(value)
        except ValueError as error:
            raise Wrong(str(error)) from None
    elif not re.fullmatch(r"sqlite:///[^\s].*", value):
        raise Wrong
    return value


def listen(value: Any) -> tuple[str, int] | tuple[()]:
    """An address of this machine and a port; nothing for ""."""
    import ipaddress

    if value == "":
        return ()
    found = (
        re.fullmatch(r"(localhost|[0-9.]+|\[[0-9A-Fa-f:.]+\]):([0-9]{1,5})", value)
        if isinstance(value, str)
        else None
    )
    if found is None or not 1 <= int(found[2]) <= 65535:
        raise Wrong
    address = "127.0.0.1" if found[1] == "localhost" else found[1].strip("[]")
    try:
        return str(ipaddress.ip_address(address)), int(found[2])
    except ValueError:
        raise Wrong from None


def listen_somewhere(value: Any) -> tuple[str, int]:
    """An address of this machine and a port."""
    found = listen(value)
    if not found:
        raise Wrong
    return found


def origin(value: Any) -> str:
    """A scheme, a host and a port where it is not the usual one, in small letters; "" for none."""
    if value == "":
        return ""
    parts = _parted(value)
    host, port = parts.hostname, parts.port
    if parts.scheme not in ("http", "https") or not host or "@" in parts.netloc:
        raise Wrong
    if parts.path not in ("", "/") or "?" in value or "#" in value:
        raise Wrong(
            f"is {shown(value)}; the page stands at the root of its host: leave the path out, and"
            " give it a host name of its own"
        )
    usual = {"http": 80, "https": 443}[parts.scheme]
    shown_host = f"[{host}]" if ":" in host else host
    return f"{parts.scheme}://{shown_host}{'' if port in (None, usual) else f':{port}'}"


def sound_heartbeat_url(text: str) -> bool:
    """Whether a secret address may be asked: encrypted, or this machine. It is never repeated."""
    from urllib.parse import urlsplit

    try:
        parts = urlsplit(text)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return False
    if not re.fullmatch(r"[!-~]+", text) or not host or "@" in parts.netloc:
        return False
    return parts.scheme == "https" or (parts.scheme == "http" and is_loopback(host))


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this machine by its writing; nothing is looked up."""
    import ipaddress

    if host.casefold() in ("localhost", "localhost."):
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def host(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9._:\[\]-]{1,253}", value):
        raise Wrong
    return value


def time_zone(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise Wrong
    if value == "UTC":
        return value
    if "/" not in value:
        raise Wrong(
            f'is {shown(value)}, but must be a region and a city such as "America/Chicago", which '
            f"say when clocks change{_zone_hint(value)} Left out, it is found from the coordinates"
        )
    if not zone_exists(value):
        raise Wrong(
            f"is {shown(value)}, which is no time zone{_zone_hint(value)} Left out, it is found "
            "from the coordinates"
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
    return f"; did you mean {near}?" if near else "."
