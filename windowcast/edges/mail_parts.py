"""The body of a message of several parts: text, the same in HTML with its pictures, and files.

multipart/mixed( multipart/alternative( text/plain, multipart/related( text/html, image/png… ) ),
files… ), RFC 2046 and 2387; pictures are named by Content-ID, RFC 2392. What has one part only
stands without its multipart. Boundaries and Content-IDs come from the Message-ID, so that the same
notice is the same bytes.
"""

from __future__ import annotations

import hashlib
import re
from base64 import b64encode
from binascii import b2a_qp
from collections.abc import Sequence
from email.message import EmailMessage
from html import escape
from typing import NamedTuple

from windowcast.edges.settings import MailSettings
from windowcast.language import tr

_CID = re.compile(r'\ssrc="cid:([^"]*)"')
_BASE64_COLUMNS = 76
_FILE_NAME = re.compile(r"[a-z0-9][a-z0-9.-]*")


class Picture(NamedTuple):
    """A PNG inside the message, shown where the HTML says `src="cid:…"`.

    content_id:  as `content_id` gives it
    """

    content_id: str
    png: bytes


class File(NamedTuple):
    """A text to keep, beside the message.

    kind:     "text/calendar"
    name:     of ASCII letters, figures, dots and hyphens: "visits.ics"
    content:  UTF-8; lines end in CRLF
    more:     parameters of the kind: (("method", "PUBLISH"),)
    """

    kind: str
    name: str
    content: bytes
    more: tuple[tuple[str, str], ...] = ()


class Part(NamedTuple):
    """One part of a message as it is written: its own headers, and what follows them."""

    headers: dict[str, str]
    body: bytes


def content_id(message_id: str, number: int) -> str:
    """The Content-ID of a message's picture, without brackets: as unique as the Message-ID."""
    local, _, domain = message_id.strip("<>").partition("@")
    return f"{local}.{number}@{domain}"


def source(identifier: str) -> str:
    """The address in `src` of the picture of that Content-ID (RFC 2392)."""
    return f"cid:{identifier}"


def body(
    *,
    text: str,
    html: str,
    pictures: Sequence[Picture],
    files: Sequence[File],
    message_id: str,
) -> Part:
    """Everything below the message's own headers, and the headers that say how to read it.

    text, html:  clean, with "\\n" between lines

    Raises ValueError where the HTML shows a picture that is not there, or does not show one.
    """
    shown, given = _CID.findall(html), [escape(one.content_id) for one in pictures]
    if sorted(shown) != sorted(given):
        raise ValueError(f"the HTML shows the pictures {shown}, but is given {given}")
    plain = _text("plain", text)
    if not html:
        return plain
    rich = _text("html", html)
    if pictures:
        inline = [_picture(one, number) for number, one in enumerate(pictures, 1)]
        rich = _multipart("related", [rich, *inline], message_id, more=';\r\n type="text/html"')
    whole = _multipart("alternative", [plain, rich], message_id)
    if files:
        whole = _multipart("mixed", [whole, *map(_file, files)], message_id)
    return whole


def _text(kind: str, text: str) -> Part:
    headers = {
        "Content-Type": f'text/{kind}; charset="utf-8"',
        "Content-Transfer-Encoding": "quoted-printable",
    }
    return Part(headers, quoted_printable(text))


def quoted_printable(text: str) -> bytes:
    """Lines of at most 76 columns of ASCII, with CRLF."""
    return b2a_qp(text.encode("utf-8"), istext=True).replace(b"\n", b"\r\n")


def _picture(one: Picture, number: int) -> Part:
    headers = {
        "Content-Type": "image/png",
        "Content-Transfer-Encoding": "base64",
        "Content-ID": f"<{one.content_id}>",
        "Content-Disposition": f'inline; filename="picture-{number}.png"',
    }
    encoded = b64encode(one.png)
    lines = (
        encoded[begin : begin + _BASE64_COLUMNS]
        for begin in range(0, len(encoded), _BASE64_COLUMNS)
    )
    return Part(headers, b"".join(line + b"\r\n" for line in lines))


def _file(one: File) -> Part:
    if not _FILE_NAME.fullmatch(one.name):
        raise ValueError(f"{one.name!r} is no name for a file in a message")
    more = "".join(f"; {name}={value}" for name, value in one.more)
    headers = {
        "Content-Type": f'{one.kind}; charset="utf-8"{more}',
        "Content-Transfer-Encoding": "quoted-printable",
        "Content-Disposition": f'attachment; filename="{one.name}"',
    }
    return Part(headers, quoted_printable(one.content.decode("utf-8").replace("\r\n", "\n")))


def _multipart(kind: str, parts: Sequence[Part], message_id: str, more: str = "") -> Part:
    digest = hashlib.sha256(f"{kind} {message_id}".encode()).hexdigest()
    # "=_" stands in no line of quoted-printable or base64 (RFC 2045, 6.7)
    boundary = f"=_{digest[:24]}"
    mark = f"--{boundary}".encode()
    if any(mark in part.body for part in parts):
        raise ValueError("a part of the message holds the line that parts it from the next")
    written = b"".join(
        mark
        + b"\r\n"
        + "".join(f"{name}: {value}\r\n" for name, value in part.headers.items()).encode("ascii")
        + b"\r\n"
        + part.body
        + b"\r\n"
        for part in parts
    )
    headers = {"Content-Type": f'multipart/{kind}; boundary="{boundary}"{more}'}
    return Part(headers, written + mark + b"--\r\n")


def differs(
    parsed: EmailMessage,
    *,
    text: str,
    html: str,
    pictures: Sequence[Picture],
    files: Sequence[File],
) -> str:
    """What a parser reads otherwise than it was meant; "" where nothing does.

    parsed:  the message; its parts are in the order they were given
    """
    found = [one for one in parsed.walk() if not one.is_multipart()]
    faults = [fault for one in parsed.walk() for fault in one.defects]
    if faults:
        return f"form ({faults[0]})"
    meant: list[tuple[str, str, bytes]] = [
        ("text/plain", "", text.encode("utf-8")),
        *([("text/html", "", html.encode("utf-8"))] if html else []),
        *(("image/png", f"<{one.content_id}>", one.png) for one in pictures),
        *((one.kind, one.name, one.content) for one in files),
    ]
    read = [
        (
            one.get_content_type(),
            str(one.get("Content-ID") or (one.get_filename() or "")),
            _content(one),
        )
        for one in found
    ]
    if [one[:2] for one in read] != [one[:2] for one in meant]:
        return "parts"
    return next(
        (kind for (kind, *got), (_, *wanted) in zip(read, meant, strict=True) if got != wanted), ""
    )


def _content(one: EmailMessage) -> bytes:
    """As it was given: the lines of HTML and text ended in a newline, those of files in CRLF."""
    content = one.get_payload(decode=True)
    assert isinstance(content, bytes)  # no multipart
    if one.get_content_maintype() == "text" and not one.is_attachment():
        return content.replace(b"\r\n", b"\n")
    return content


def answered(server: str, settings: MailSettings) -> str:
    """What is said of a server that answered: how the connection is, and whether it knows us."""
    return tr(
        "{server} answers ({security}, {login})",
        server=server,
        security={"starttls": "STARTTLS", "tls": "TLS"}.get(settings.security, tr("no TLS")),
        login=tr("logged in") if settings.username else tr("no login"),
    )
