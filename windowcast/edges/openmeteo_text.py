"""Tables of temperatures read as text: each value has one decimal, as the service prints them.

A Python object for each of a few thousand numbers a place costs more than all the rest of reading
it. So a table whose whole text has the one form that the service writes is checked and read byte by
byte in arrays. Everything is checked: what is not of this form is not read here at all.
"""

from __future__ import annotations

import re
from functools import lru_cache
from operator import methodcaller
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowcast.edges.openmeteo_replies import keys_of
from windowcast.errors import WeatherUnusable
from windowcast.sky.highs import HIGHEST_C, LOWEST_C
from windowcast.sky.highs_arrays import Tenths
from windowcast.sky.scenarios import MISSING

# In the place of null while text is read; it is no air temperature.
_NULL = b"-999.9"
_BEFORE = b"," * 7
LOWEST_TENTHS, HIGHEST_TENTHS = np.int16(LOWEST_C * 10), np.int16(HIGHEST_C * 10)
_COMMA, _MINUS, _POINT, _ZERO = map(np.uint8, b",-.0")
_NAME = re.compile(rb"[a-z0-9_]+")
_PARTED = methodcaller("partition", b'":[')


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
    if not rest:
        return None
    names, between, columns = zip(*map(_PARTED, rest), strict=True)
    if not all(between):
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
    # Each octet is looked at together with the seven before it; where it is a comma, that counts.
    octets = np.frombuffer(_BEFORE + text, np.uint8)
    digits = octets - _ZERO
    comma, minus, digit = octets == _COMMA, octets == _MINUS, digits <= 9

    def back(flags: NDArray[Any], places: int) -> NDArray[Any]:
        return flags[len(_BEFORE) - places : len(octets) - places]

    ten, hundred = back(digits, 4), back(digits, 5)
    has_ten = back(digit, 4)
    has_hundred = has_ten & back(digit, 5)
    no_ten, only_ten = ~has_ten, has_ten & ~has_hundred
    # A number begins after a comma, or after one and a minus; with no zero but before the point.
    begun = [back(comma, at) | (back(minus, at) & back(comma, at + 1)) for at in (4, 5, 6)]
    good = (back(octets, 2) == _POINT) & back(digit, 1) & back(digit, 3)
    good &= (
        (no_ten & begun[0])
        | (only_ten & begun[1] & (ten != 0))
        | (has_hundred & begun[2] & (hundred != 0))
    )
    negative = (no_ten & back(minus, 4)) | (only_ten & back(minus, 5))
    negative |= has_hundred & back(minus, 6)
    value = (ten * has_ten) * np.int16(100) + (hundred * has_hundred) * np.int16(1000)
    value += back(digits, 3) * np.int16(10)
    value += back(digits, 1)
    ends = np.flatnonzero(back(comma, 0))
    found = value[ends] * (np.int16(1) - np.int16(2) * negative[ends])
    outside = (found < LOWEST_TENTHS) | (found > HIGHEST_TENTHS)
    if outside.any():
        found[outside] = MISSING
    return found, ~good[ends]
