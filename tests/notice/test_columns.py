"""Columns of a terminal: wide characters, marks on letters, cutting and filling."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowcast.notice import columns

CASES = [
    # Unicode Standard Annex 11, table ED and EastAsianWidth.txt: W and F take two columns.
    pytest.param("Creek Bend", 10, id="ASCII"),
    pytest.param("10.0–29.5 °C…", 13, id="dashes and degrees are narrow"),
    pytest.param("養蜂場", 6, id="ideographs are wide"),
    pytest.param("벌", 2, id="Hangul syllables are wide"),
    pytest.param(
        "\u1107\u1165\u11af", 4, id="a leading jamo is wide, and what is not a mark counts"
    ),
    pytest.param("ﾊﾁ", 2, id="halfwidth forms are narrow"),
    pytest.param("ＡＢ", 4, id="fullwidth forms are wide"),
    pytest.param("e\u0301", 1, id="a combining accent takes none"),
    pytest.param("🐝", 2, id="an emoji is wide"),
    pytest.param("", 0, id="nothing"),
]


@pytest.mark.parametrize(("text", "taken"), CASES)
def test_columns_that_a_text_takes(text: str, taken: int):
    assert columns.taken(text) == taken


def test_each_character_takes_what_unicode_says():
    """Marks and format characters none, wide and fullwidth ones two (Unicode Standard Annex 11 and
    the Unicode Character Database, as Python has it); beside an ideograph as alone."""
    for character in map(chr, [*range(32, 127), *range(160, 0xD800), *range(0xE000, 0x30000)]):
        category = unicodedata.category(character)
        if category == "Cn":
            continue
        unseen = unicodedata.combining(character) or category in {"Mn", "Me", "Cf"}
        wide = unicodedata.east_asian_width(character) in {"W", "F"}
        expected = 0 if unseen else 2 if wide else 1
        assert columns.taken(character) == expected, hex(ord(character))
        assert columns.taken("蜂" + character) == 2 + expected, hex(ord(character))


@given(st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=40), st.integers(1, 30))
def test_what_is_cut_fits_and_what_fits_is_whole(text: str, room: int):
    short = columns.cut(text, room)

    assert columns.taken(short) <= room
    assert (short == text) == (columns.taken(text) <= room)


@given(st.text("aé養°ﾊ🐝 ", max_size=40), st.integers(1, 30))
def test_what_is_filled_up_takes_exactly_the_room(text: str, room: int):
    assert columns.taken(columns.left(text, room)) == room


@given(st.text(max_size=60))
def test_what_was_filled_comes_back(text: str):
    assert columns.unfilled(columns.filled(text)[0]) == text.replace("\ufdd0", "")


def test_paragraphs_of_wide_characters_fit():
    from windowcast.notice.plain import labelled, wrapped

    lines = [*wrapped("養蜂場 " * 40).split("\n"), *labelled("Why", "蜂" * 100)]

    assert max(map(columns.taken, lines)) <= 78
    assert "".join(lines).count("養") == 40
    assert "".join(lines).count("蜂") == 140
