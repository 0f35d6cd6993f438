"""The colours of a yard's picture: strong enough in the sun, and told apart by every eye."""

from __future__ import annotations

import numpy as np
import pytest

from windowcast.notice.shapes import DARK, LIGHT, LOOKS

THEMES = {"light": LIGHT, "dark": DARK}
# Machado, Oliveira & Fernandes 2009, "A physiologically-based model for simulation of color vision
# deficiency", IEEE TVCG 15:1291, their table for severity 1.0, for linear RGB; from memory.
EYES = {
    "usual": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
LETTERS = [
    ("ink", "ground"),
    ("quiet", "ground"),
    ("edge", "ground"),
    ("danger", "ground"),
    ("ground", "ink"),
]
# What is needed to understand the picture, with each ground that it lies on. What cannot have
# enough contrast with what it may cross has a rim of the ground around it.
MARKS = [
    ("ink", "ground"),
    ("ink", "range90"),
    ("ink", "range50"),
    ("ink", "band"),
    ("range50", "ground"),
    ("range50", "band"),
    ("range50", "range90"),
    ("edge", "ground"),
    ("edge", "band"),
    ("danger", "ground"),
    ("window", "ground"),
    ("hollow", "ground"),
    ("hollow", "band"),
]


def linear(colour):
    """WCAG 2.2, definition of relative luminance."""
    parts = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one, other, eye="usual"):
    """WCAG 2.2, definition of contrast ratio."""
    seen = [np.clip(EYES[eye] @ linear(colour), 0, 1) for colour in (one, other)]
    light, dark = sorted((np.array([0.2126, 0.7152, 0.0722]) @ rgb for rgb in seen), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_what_the_standard_says():
    """WCAG 2.2: contrast ratios range from 1 to 21."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#777777") == 1


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("letters", "ground"), LETTERS)
def test_letters_can_be_read(theme, letters, ground):
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1."""
    colours = THEMES[theme]

    assert contrast(colours[letters], colours[ground]) >= 4.5


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("mark", "ground"), MARKS)
def test_marks_stand_out_from_what_they_lie_on_for_every_eye_and_in_grey(theme, mark, ground, eye):
    """WCAG 2.2, success criterion 1.4.11: at least 3 to 1. The ratio is one of lightness alone, so
    that it holds in grey too."""
    colours = THEMES[theme]

    assert contrast(colours[mark], colours[ground], eye) >= 3


def test_nothing_is_told_apart_by_colour_alone():
    """What means different things differs in line, filling or form when all colours are one."""

    def form(name):
        look = LOOKS[name]
        return bool(look.fill), bool(look.stroke), look.width, look.dash

    lines = ["forecast", "edge", "normal-edge", "danger-tooth", "least"]
    assert len({form(name) for name in lines}) == len(lines)
    assert form("window") != form("hollow")
    assert form("edge") != form("edge-exposed")
    assert form("forecast-day") != form("observed")


def test_both_themes_have_every_colour_that_is_used():
    used = {colour for look in LOOKS.values() for colour in (look.fill, look.stroke) if colour}

    assert used <= set(LIGHT) == set(DARK)
