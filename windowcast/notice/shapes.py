"""A picture as plain shapes, before it becomes an SVG or a PNG: what is where, and what it means.

Positions are CSS pixels, x to the right and y downward from the upper left corner.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

Point = tuple[float, float]
Data = Mapping[str, str]
NONE: Data = MappingProxyType({})

# What each colour is for. Light is for the sun: dark on white, and never told apart by hue alone.
# The contrasts are in tests/notice/test_yard_colours.py.
LIGHT = {
    "ground": "#ffffff",
    "ink": "#14181c",
    "quiet": "#5a6268",
    "grid": "#d8dcdf",
    "range90": "#c3dcf0",
    "range50": "#3878ac",
    "band": "#edf4e4",
    "edge": "#2c6a2e",
    "danger": "#b33a00",
    "window": "#00634f",
    "hollow": "#6b747b",
}
DARK = {
    "ground": "#12161a",
    "ink": "#f3f5f6",
    "quiet": "#b3bbc1",
    "grid": "#343b41",
    "range90": "#17344b",
    "range50": "#4389bf",
    "band": "#1b2a1c",
    "edge": "#8fcf7d",
    "danger": "#ff9a5c",
    "window": "#4fd1ab",
    "hollow": "#98a2a9",
}


class Look(NamedTuple):
    """How a class of shapes is drawn; colours by their names in LIGHT and DARK, "" for none.

    width: of the line, px. dash: lengths of line and gap, px, empty for a solid line. solid: of the
    filling, 0 to 1. halo: letters with a rim of the ground around them
    """

    fill: str = ""
    stroke: str = ""
    width: float = 0.0
    dash: tuple[float, ...] = ()
    solid: float = 1.0
    halo: bool = False


LOOKS: Mapping[str, Look] = {
    "ground": Look(fill="ground"),
    "grid": Look(stroke="grid", width=1),
    "axis": Look(stroke="hollow", width=1),
    "band": Look(fill="band"),
    "edge": Look(stroke="edge", width=1.25, dash=(5, 3)),
    "edge-exposed": Look(stroke="edge", width=2.5),
    "normal": Look(fill="quiet", solid=0.1),
    "normal-edge": Look(stroke="hollow", width=1, dash=(1, 2.5)),
    "range90": Look(fill="range90", stroke="range50", width=1),
    "range50": Look(fill="range50"),
    "forecast-rim": Look(stroke="ground", width=5.5),
    "forecast": Look(stroke="ink", width=2.5),
    "forecast-day": Look(fill="ink"),
    "observed": Look(fill="ground", stroke="ink", width=1.75),
    "hottest": Look(stroke="ink", width=2),
    "lead": Look(stroke="ink", width=1),
    "danger-rim": Look(stroke="ground", width=5.5),
    "danger": Look(stroke="danger", width=2.5),
    "danger-tooth": Look(stroke="danger", width=1.25),
    "today": Look(stroke="ink", width=1),
    "today-day": Look(fill="ink"),
    "window": Look(fill="window"),
    "hollow": Look(stroke="hollow", width=1),
    "least": Look(stroke="ink", width=1, dash=(2, 2)),
    "start": Look(fill="ink"),
    "exposure": Look(stroke="window", width=2),
    "exposure-gone": Look(fill="window"),
    "visit": Look(fill="ink", stroke="ground", width=1),
    "visit-other": Look(fill="ground", stroke="ink", width=1.5),
    "text": Look(fill="ink"),
    "text-quiet": Look(fill="quiet"),
    "text-ground": Look(fill="ground"),
    "text-edge": Look(fill="edge"),
    "text-danger": Look(fill="danger"),
    "text-danger-halo": Look(fill="danger", halo=True),
    "text-halo": Look(fill="ink", halo=True),
}


class Box(NamedTuple):
    """A rectangle."""

    look: str
    x: float
    y: float
    width: float
    height: float
    data: Data = NONE


class Line(NamedTuple):
    """A line through at least two points."""

    look: str
    points: tuple[Point, ...]
    data: Data = NONE


class Area(NamedTuple):
    """A closed polygon."""

    look: str
    points: tuple[Point, ...]
    data: Data = NONE


class Dot(NamedTuple):
    """A circle around a point."""

    look: str
    x: float
    y: float
    radius: float
    data: Data = NONE


class Text(NamedTuple):
    """One line of letters; `y` is its base line. anchor: "start", "middle" or "end" of it at x."""

    look: str
    x: float
    y: float
    text: str
    size: float
    anchor: str = "start"
    bold: bool = False
    data: Data = NONE

    @property
    def width(self) -> float:
        """At most so wide in a usual font without serifs."""
        return text_width(self.text, self.size, bold=self.bold)

    @property
    def left(self) -> float:
        return self.x - self.width * {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor]

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom."""
        left = self.left
        return left, self.y - 0.8 * self.size, left + self.width, self.y + 0.24 * self.size


Shape = Box | Line | Area | Dot | Text


class Column(NamedTuple):
    """The whole height over one day, which says its figures to whoever points at it."""

    day: str
    x: float
    y: float
    width: float
    height: float
    title: str
    data: Data


class Scene(NamedTuple):
    """A laid-out picture. title and description stand for it where it cannot be seen."""

    width: float
    height: float
    title: str
    description: str
    shapes: tuple[Shape, ...]
    columns: tuple[Column, ...]

    def named(self, *looks: str) -> Iterator[Shape]:
        """The shapes of some classes, in order."""
        return (one for one in self.shapes if one.look in looks)


# Advance widths of DejaVu Sans, rounded up to twentieths of the letter size: among the widest of
# the fonts without serifs, so that what fits with these fits with others.
_WIDTHS = {
    0.3: "'IJijl",
    0.35: " ,./:;\\|·",
    0.4: "()-[]ft",
    0.45: "!r",
    0.5: '"*_`°–',
    0.55: "?csz",
    0.6: "FLkvxy",
    0.7: "ABCKRVXZ",
    0.75: "NU",
    0.8: "&DGHOQ",
    0.85: "#+<=>^w~≥",
    0.9: "M",
    1.0: "%@Wm…",
}
_WIDTH_OF = {letter: width for width, letters in _WIDTHS.items() for letter in letters}
_OTHER, _FULL = 0.7, 1.05
_BOLD = 1.15
"""Bold letters are at most so much wider, those of one stroke left aside."""


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """At most so many pixels wide in a usual font without serifs."""
    width = 0.0
    for letter in text:
        base = _WIDTH_OF.get(letter)
        if base is None:
            if unicodedata.combining(letter) or unicodedata.category(letter) == "Cf":
                continue
            wide = unicodedata.east_asian_width(letter) in "WF"
            base = _FULL if wide else 0.65 if letter.isascii() else _OTHER
        width += base
    return width * size * (_BOLD if bold else 1.0)


def cut(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """As much of a text as fits, with "…" where something is left off; whole words if it may be."""
    if text_width(text, size, bold=bold) <= width:
        return text
    kept = text
    while kept and text_width(f"{kept}…", size, bold=bold) > width:
        kept = kept[:-1]
    at = kept.rfind(" ")
    if at > len(kept) * 0.6:
        kept = kept[:at]
    return f"{kept.rstrip(' ,:;')}…" if kept else ""


def wrapped(
    text: str, size: float, width: float, *, most: int = 3, bold: bool = False
) -> list[str]:
    """Lines that fit, at most so many of them; the last one is cut."""
    lines: list[str] = []
    words = text.split(" ")
    while words and len(lines) < most:
        line = words.pop(0)
        while words and text_width(f"{line} {words[0]}", size, bold=bold) <= width:
            line = f"{line} {words.pop(0)}"
        if len(lines) + 1 == most and words:
            line = " ".join([line, *words])
            words = []
        lines.append(cut(line, size, width, bold=bold))
    return lines


def overlap(one: Text, other: Text) -> bool:
    """Whether two texts would touch."""
    left, top, right, bottom = one.box
    left2, top2, right2, bottom2 = other.box
    return left < right2 and left2 < right and top < bottom2 and top2 < bottom


def free_of(text: Text, others: Iterable[Text]) -> bool:
    """Whether a text touches none of the others."""
    return not any(overlap(text, other) for other in others)
