"""An answer as it is kept: the same as is shown, with the names of the columns once."""

from __future__ import annotations

import json

import orjson

from support.answers import answer_from
from support.weather import FORMIC_STRIPS
from windowcast.notice import document
from windowcast.window.decide import YardAnswer


def answer() -> YardAnswer:
    return answer_from(FORMIC_STRIPS, [[18.0 + number % 15] * 40 for number in range(51)])


def test_what_is_kept_gives_the_starts_that_are_shown_again():
    shown = document.document(answer(), "C")
    kept = json.loads(orjson.dumps(document.kept(answer(), "C")))

    (mine,), (theirs,) = kept["treatments"], shown["treatments"]
    assert len(theirs["starts"]) > 40
    assert document.starts(mine) == json.loads(json.dumps(theirs["starts"]))
    assert mine | {"starts": None} == json.loads(json.dumps(theirs)) | {"starts": None}
    assert {**kept, "treatments": None} == {**json.loads(json.dumps(shown)), "treatments": None}
    assert len(orjson.dumps(kept)) < 0.5 * len(orjson.dumps(shown))


def test_what_an_earlier_version_kept_is_read_as_it_is():
    shown = document.document(answer(), "C")["treatments"][0]

    assert document.starts(shown) == shown["starts"]
