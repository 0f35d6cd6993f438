"""Figures as people read them, in sentences and in columns."""

from __future__ import annotations

import pytest

from windowcast.notice import words


@pytest.mark.parametrize(
    ("chance", "sentence", "column"),
    [
        (0.0, "0 %", "0 %"),
        (0.004, "under 1 %", "<1 %"),
        (0.006, "1 %", "1 %"),
        (0.843, "84 %", "84 %"),
        (0.996, "over 99 %", ">99 %"),
        (1.0, "100 %", "100 %"),
    ],
)
def test_a_chance_says_the_same_in_a_sentence_and_in_a_column(chance, sentence, column):
    assert words.percent(chance) == sentence
    assert words.percent_brief(chance) == column
