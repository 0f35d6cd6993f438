"""How large a letter becomes with a picture: never more than is reckoned, and hardly less."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from html import escape
from itertools import pairwise

import pytest

from notice.test_letter import SAID
from windowcast.edges import mail, mail_parts
from windowcast.edges.mail_parts import Picture
from windowcast.letters import AROUND, REMARK, WIDTH, Drawn, octets_at_most
from windowcast.notice import letter
from windowcast.notice.letter import Shown

MESSAGE_ID = "<20260831.creek-bend@example.org>"
WORDS = (
    "Creek Bend: highs of 18.2 to 24.9 °C; starts from Mon Aug 31",
    'Höfe & Gärten "am Bach" <unten>: 26,5 °C ' * 12,
    "\N{CJK UNIFIED IDEOGRAPH-4E00}" * 300,
    "\"'&<>" * 600,
)


def composed(pictures: list[tuple[str, Drawn]], *, left_out: bool = False) -> bytes:
    shown, carried = {}, []
    for number, (yard, drawn) in enumerate(pictures, 1):
        identifier = mail_parts.content_id(MESSAGE_ID, number)
        shown[yard] = Shown(mail_parts.source(identifier), drawn.alt, WIDTH, drawn.height)
        carried.append(Picture(identifier, drawn.png))
    return mail.compose(
        sender="windowcast@example.org",
        recipient="keeper@example.org",
        subject="windowcast",
        text="windowcast",
        message_id=MESSAGE_ID,
        date=datetime(2026, 8, 31, 6, 0, tzinfo=UTC),
        html=letter.write(SAID, shown, left_out=left_out),
        pictures=carried,
    )


@pytest.mark.parametrize("alt", WORDS)
@pytest.mark.parametrize("size", [1, 56, 57, 1_000, 20_000, 90_001])
def test_a_picture_takes_no_more_than_is_reckoned(alt: str, size: int):
    content = b"\x89PNG" + random.Random(size).randbytes(size)
    drawn = Drawn(content, alt, 240)
    names = [part.yard for part in SAID.parts][:3]

    sizes = [len(composed([(name, drawn) for name in names[:count]])) for count in range(4)]

    for before, after in pairwise(sizes):
        assert after - before <= octets_at_most(drawn)
        assert octets_at_most(drawn) - (after - before) < AROUND + 4 * len(escape(alt).encode())


def test_the_remark_on_what_is_left_out_takes_no_more_than_is_reckoned():
    assert len(composed([], left_out=True)) - len(composed([])) <= REMARK
