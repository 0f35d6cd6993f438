"""Tables of temperatures read as text: each value has one decimal, as the service prints them.

A Python object for each of a few thousand numbers a place costs more than all the rest of reading
it. So a table whose whole text has the one form that the service writes is checked and read byte by
byte in arrays. Everything is checked: what is not of this form is not read here at all.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowcast.edges.openmeteo_replies import keys_of
from windowcast.errors import WeatherUnusable
from windowcast.sky.highs import HIGHEST_C, LOWEST_C
from windowcast.sky.highs_arrays import Tenths
from windowcast.sky.scenarios import MISSING

# In the place of null while text is read; it is no air temperature.
_NULL = b"-999.9"
_BEFORE = b" " * 5
LOWEST_TENTHS, HIGHEST_TENTHS = np.int16(LOWEST_C * 10), np.int16(HIGHEST_C * 10)
_COMMA, _MINUS, _POINT, _ZERO = map(np.uint8, b",-.0")
_NAME = re.compile(rb"[a-z0-9_]+")


class Cut(NamedTuple):
    """One place's part of an answer, taken apart.

    head:     the object with 0 for its table
    times:    of the table, as they are written within their brackets
    names:    of its columns, in their order
    columns:  the same; what is within their brackets, which has not been looked at
    """

    head: bytes
    times: bytes
    names: tuple[bytes, ...]
    columns: tuple[bytes, ...]


def cut(text: bytes, section: str) -> Cut | None:
    """A part taken apart at its last member, the table; None where it is not written so.

    If the head is JSON with that 0, and times and columns are lists, then the text is JSON and
    holds just these: it is put together from them.
    """
    name = section.encode()
    opening = b'"%s":{"time":[' % name
    at = text.find(opening)
    if at < 0 or not text.endswith(b"]}}"):
        return None
    times, *rest = text[at + len(opening) : -3].split(b'],"')
    try:
        names, columns = zip(*(one.split(b'":[') for one in rest), strict=True)
    except ValueError:
        return None
    return Cut(text[:at] + b'"%s":0}' % name, times, names, columns)


class Columns(NamedTuple):
    """Which of a table's columns are what.

    keys:    of the temperatures, the control member's first
    at:      where these stand
    others:  what else there is, by name
    """

    keys: tuple[str, ...]
    at: tuple[int, ...]
    others: dict[str, int]


@lru_cache(maxsize=32)
def columns_of(variable: str, names: tuple[bytes, ...], extras: tuple[str, ...]) -> Columns | None:
    """None where a name comes twice, or is not expected."""
    if len(set(names)) != len(names) or not all(map(_NAME.fullmatch, names)):
        return None
    where = {name.decode(): index for index, name in enumerate(names)}
    try:
        keys = tuple(keys_of(where, variable))
    except WeatherUnusable:
        return None
    others = {name: index for name, index in where.items() if name not in keys}
    if not keys or not set(others) <= set(extras):
        return None
    return Columns(keys, tuple(where[key] for key in keys), others)


def tenths_of_text(text: bytes) -> tuple[Tenths, NDArray[np.bool_]]:
    """Numbers with a comma after each → tenths, and which of them are not of the form.

    The form: a minus or none, one to three digits without a needless zero before them, a point and
    a digit; or null. MISSING for null and for what cannot be an air temperature.
    """
    if b"null" in text:
        text = text.replace(b"null", _NULL)
    # What is read before a number's own beginning does not count; there must be something to read.
    octets = np.frombuffer(_BEFORE + text, np.uint8)
    ends = np.flatnonzero(octets == _COMMA)
    starts = np.empty_like(ends)
    starts[0], starts[1:] = len(_BEFORE), ends[:-1] + 1
    minus = octets[starts] == _MINUS
    # How many digits before the point; what is far too long is too long.
    whole = np.minimum(ends - starts, 100).astype(np.int8) - minus.view(np.int8) - np.int8(2)
    point = octets[ends - 2]
    tenth, one, ten, hundred = (octets[ends - back] - _ZERO for back in (1, 3, 4, 5))
    has_ten, has_hundred = whole >= 2, whole == 3
    wrong = (point != _POINT) | (whole < 1) | (whole > 3) | (tenth > 9) | (one > 9)
    wrong |= has_ten & ((ten > 9) | ((ten == 0) & ~has_hundred))
    wrong |= has_hundred & ((hundred > 9) | (hundred == 0))
    found = (ten * has_ten) * np.int16(100) + (hundred * has_hundred) * np.int16(1000)
    found += one * np.int16(10)
    found += tenth
    found *= np.int16(1) - np.int16(2) * minus
    outside = (found < LOWEST_TENTHS) | (found > HIGHEST_TENTHS)
    if outside.any():
        found[outside] = MISSING
    return found, wrong
