"""Messages of several parts, held against the RFCs by the section."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from urllib.parse import unquote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windowcast.edges.mail import compose, message_id
from windowcast.edges.mail_parts import File, Picture, content_id, source

IDENTIFIER = message_id("morning|crew@example.org", "example.org")
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 5
CALENDAR = File(
    "text/calendar",
    "visits.ics",
    "BEGIN:VCALENDAR\r\nX-NAME:Blühwiese\r\nEND:VCALENDAR\r\n".encode(),
    (("method", "PUBLISH"),),
)
TWO = tuple(Picture(content_id(IDENTIFIER, number), PNG + bytes([number])) for number in (1, 2))
SHOWN = "".join(f'<img src="{source(one.content_id)}" alt="">' for one in TWO)


def made(**more):
    given = {
        "sender": "Windowcast <bees@example.org>",
        "recipient": "crew@example.org",
        "subject": "Creek Bend can start today",
        "text": "Start today. 23 °C\n",
        "message_id": IDENTIFIER,
        "date": datetime(2026, 8, 31, 11, tzinfo=UTC),
        "html": f"<p>Start today. 23 °C</p>{SHOWN}\n",
        "pictures": TWO,
        "files": (CALENDAR,),
    }
    return compose(**(given | more))


def read(message: bytes) -> EmailMessage:
    return BytesParser(EmailMessage, policy=policy.SMTP).parsebytes(message)


def shape(part: EmailMessage):
    kind = part.get_content_type()
    return (kind, *map(shape, part.iter_parts())) if part.is_multipart() else kind


@pytest.mark.parametrize(
    ("more", "wanted"),
    [
        (
            {},
            (
                "multipart/mixed",
                (
                    "multipart/alternative",
                    "text/plain",
                    ("multipart/related", "text/html", "image/png", "image/png"),
                ),
                "text/calendar",
            ),
        ),
        (
            {"files": ()},
            (
                "multipart/alternative",
                "text/plain",
                ("multipart/related", "text/html", "image/png", "image/png"),
            ),
        ),
        (
            {"pictures": (), "html": "<p>Start</p>", "files": ()},
            ("multipart/alternative", "text/plain", "text/html"),
        ),
        ({"pictures": (), "html": "", "files": ()}, "text/plain"),
    ],
    ids=["with all", "without files", "without pictures", "the text alone is no multipart"],
)
def test_what_stands_in_what(more, wanted):
    """RFC 2046, 5.1.4: the plainest alternative first, the best last."""
    assert shape(read(made(**more))) == wanted


def test_boundaries_keep_the_parts_apart():
    """RFC 2046, 5.1.1: at most 70 characters of the allowed ones, in no part's own lines, none the
    beginning of another; the last one ends in two hyphens."""
    message = made()
    whole = read(message)
    found = [part.get_boundary() for part in whole.walk() if part.is_multipart()]
    assert len(set(found)) == 3
    for boundary in found:
        assert re.fullmatch(r"[0-9A-Za-z'()+_,./:=? -]{0,69}[0-9A-Za-z'()+_,./:=?-]", boundary)
        assert not any(one.startswith(boundary) for one in found if one != boundary)
        lines = [one for one in message.split(b"\r\n") if one.startswith(f"--{boundary}".encode())]
        assert lines[-1] == f"--{boundary}--".encode()
        assert {*lines[:-1]} == {f"--{boundary}".encode()}
    for part in whole.walk():
        assert not part.defects
        # RFC 2045, 6.4: a multipart has no encoding of its own but 7bit, 8bit or binary
        assert not part.is_multipart() or part["Content-Transfer-Encoding"] is None


def test_the_related_part_names_its_root_and_the_root_its_pictures():
    """RFC 2387, 3.1 and 3.4: `type` is that of the root, which is the first part. RFC 2392, 2: a
    cid: address is a Content-ID without brackets, percent-encoded."""
    (related,) = [one for one in read(made()).walk() if one.get_content_subtype() == "related"]
    root, *pictures = related.iter_parts()
    assert related.get_param("type") == root.get_content_type() == "text/html"
    named = [unquote(one) for one in re.findall(r'src="cid:([^"]+)"', root.get_content())]
    assert [f"<{one}>" for one in named] == [one["Content-ID"] for one in pictures]
    assert [one.get_content() for one in pictures] == [one.png for one in TWO]
    assert {one.get_content_disposition() for one in pictures} == {"inline"}
    assert IDENTIFIER not in {one["Content-ID"] for one in pictures}


def test_the_file_is_attached_as_it_is():
    """RFC 5545, 8.1: the parameters of text/calendar; RFC 2183: what is kept beside the message."""
    (file,) = read(made()).iter_attachments()
    assert (file.get_content_type(), file.get_param("method")) == ("text/calendar", "PUBLISH")
    assert (file.get_param("charset"), file.get_filename()) == ("utf-8", "visits.ics")
    assert file.get_payload(decode=True) == CALENDAR.content


def test_lines_are_plain_short_and_the_same_each_time():
    """RFC 5322, 2.1.1: no line over 998; RFC 2045, 6.7 and 6.8: encoded ones at most 76."""
    message = made()
    assert message.isascii()
    assert max(map(len, message.split(b"\r\n"))) <= 78
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", message)
    assert made() == message
    assert made(message_id=message_id("another", "example.org"), html="<p>", pictures=()) != message


@pytest.mark.parametrize(
    "more",
    [
        {"html": "<p>no picture</p>"},
        {"pictures": ()},
        {"pictures": TWO[:1]},
        {"html": SHOWN + SHOWN},
        {"html": ""},
    ],
    ids=["not shown", "not there", "one missing", "shown twice", "with plain text alone"],
)
def test_pictures_and_html_that_do_not_match_are_a_mistake(more):
    with pytest.raises(ValueError, match="picture"):
        made(**more)


@settings(deadline=None)
@given(
    text=st.text(max_size=200),
    html=st.text(min_size=1, max_size=200).filter(lambda one: "src=" not in one and one.strip()),
    png=st.binary(min_size=1, max_size=300),
)
def test_any_content_arrives(text, html, png):
    name = content_id(IDENTIFIER, 1)
    message = made(text=text, html=f'<img src="cid:{name}">{html}', pictures=(Picture(name, png),))
    found = [one for one in read(message).walk() if one.get_content_type() == "image/png"]
    assert [one.get_content() for one in found] == [png]
