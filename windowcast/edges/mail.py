"""Notices by e-mail: composing the bytes, and handing them to a mail server.

A notice is composed once; every attempt sends the same bytes with the same Message-ID, so that a
second copy, where one cannot be ruled out, is recognisably the same letter. Each recipient has a
transaction of its own: what one address meets never touches another's.
"""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import re
import smtplib
import socket
import ssl
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email import policy
from email.header import Header
from email.message import EmailMessage
from email.parser import BytesParser
from email.utils import format_datetime
from enum import Enum

from windowcast.edges import mail_parts
from windowcast.edges.mail_parts import File, Picture
from windowcast.edges.settings import MailSettings
from windowcast.errors import MailDeferred, MailRefused

LONGEST_LINE_OCTETS = 998
LONGEST_REASON = 300

_ATOM = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_LOCAL_PART = re.compile(rf"{_ATOM}(?:\.{_ATOM})*")
_DOMAIN = re.compile(rf"{_LABEL}(?:\.{_LABEL})*")
_MESSAGE_ID = re.compile(rf"<{_ATOM}(?:\.{_ATOM})*@{_LABEL}(?:\.{_LABEL})*>")
_PLAIN_PHRASE = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~ -]*")
# Category Cc but for the tab; U+2028 and U+2029; LRE, RLE, PDF, LRO, RLO; LRI, RLI, FSI, PDI.
_CONTROLS = re.compile("[\0-\x08\n-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
_SURROGATES = re.compile("[\ud800-\udfff]")
_LINE_BREAK = re.compile("\r\n|[\r\n\v\f\x1c-\x1e\x85\u2028\u2029]")


# Composing


@dataclass(frozen=True, slots=True)
class Mailbox:
    """An address, and the name people see beside it ("" for none)."""

    name: str
    address: str


def mailbox(text: str) -> Mailbox:
    """The mailbox in "crew@example.org" or "The crew <crew@example.org>".

    Deliberately narrow: no quoted local parts, comments, groups or routes, which nobody's address
    needs and which parsers read differently. A domain in other letters becomes its ASCII form.

    Raises MailRefused.
    """
    shown = _one_line(text)
    if _LINE_BREAK.search(text) or _without_controls(text) != text or "\t" in text or "=?" in text:
        raise MailRefused(f'"{shown}" is not an address: it holds characters that none may have')
    name, bracket, rest = text.strip().rpartition("<")
    if bracket and not rest.endswith(">"):
        raise MailRefused(f'"{shown}" is not an address: text follows the ">"')
    address = rest[:-1] if bracket else rest
    local_part, _, domain = address.rpartition("@")
    try:
        domain = domain.encode("ascii" if domain.isascii() else "idna").decode("ascii")
    except UnicodeError as error:
        raise MailRefused(f'"{shown}" has no usable domain after the "@"') from error
    if not local_part.isascii():
        raise MailRefused(f'"{shown}" has letters before the "@" that plain mail cannot carry')
    if not _LOCAL_PART.fullmatch(local_part) or len(local_part) > 64:
        raise MailRefused(f'"{shown}" is not an address such as "crew@example.org"')
    if not _DOMAIN.fullmatch(domain) or len(domain) > 253:
        raise MailRefused(f'"{shown}" has no usable domain after the "@"')
    name = name.strip()
    if len(name) >= 2 and name[0] == name[-1] == '"':
        name = name[1:-1]
    # the quoting characters themselves are dropped: a name needs none of them
    name = _one_line(re.sub(r'["\\<>]', "", name))
    return Mailbox(name=name, address=f"{local_part}@{domain}")


def message_id(key: str, domain: str) -> str:
    """The Message-ID for what `key` stands for: the same key, the same id, for good.

    Raises MailRefused if `domain` is none.
    """
    address = mailbox(f"id@{domain}").address
    digest = hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()
    return f"<{digest[:40]}{address[2:]}>"


def compose(
    *,
    sender: str,
    recipient: str,
    subject: str,
    text: str,
    message_id: str,
    date: datetime,
    list_id: str = "",
    in_reply_to: str = "",
    html: str = "",
    pictures: Sequence[Picture] = (),
    files: Sequence[File] = (),
) -> bytes:
    """The bytes of a message, pure ASCII with CRLF, ready to store and send.

    date:         aware; written in UTC
    list_id:      such as "creek-bend.windowcast.example.org"; "" for none
    in_reply_to:  the Message-ID of the notice that this one follows; "" for none
    html:         the same as the text, for programs that show it; "": a plain-text message
    pictures:     each shown once in the HTML, under its Content-ID; only with HTML
    files:        to keep; only with HTML

    Control characters, and those that turn the direction of text around, are dropped from subject,
    text and HTML: names in them come from files. Addresses and ids with any are refused. The
    headers are written here rather than by the email package, whose writer has let a line break
    hidden in an encoded word become a header of its own; then the bytes are read back, twice, and
    compared with what was meant.

    Raises MailRefused; ValueError if `date` has no time zone, or HTML and pictures do not match.
    """
    if date.tzinfo is None:
        raise ValueError("date has no time zone")
    if (pictures or files) and not html:
        raise ValueError("pictures and files go with HTML")
    sent_from, sent_to = mailbox(sender), mailbox(recipient)
    for each in filter(None, (message_id, in_reply_to)):
        if not _MESSAGE_ID.fullmatch(each) or "=?" in each:
            raise MailRefused(f'"{_one_line(each)}" is not a Message-ID')
    if list_id and not _DOMAIN.fullmatch(list_id):
        raise MailRefused(f'"{_one_line(list_id)}" is not a list id')
    shown_subject = _one_line(subject)
    if not shown_subject:
        raise MailRefused("the subject is empty")

    headers = {
        "Date": format_datetime(date.astimezone(UTC).replace(microsecond=0)),
        "From": _written_mailbox(sent_from),
        "To": _written_mailbox(sent_to),
        "Message-ID": message_id,
        "Subject": _written_text(shown_subject, "Subject"),
        "Auto-Submitted": "auto-generated",
        "MIME-Version": "1.0",
    }
    body, rich = _clean_text(text), _clean_text(html) if html else ""
    content = mail_parts.body(
        text=body, html=rich, pictures=pictures, files=files, message_id=message_id
    )
    headers |= content.headers
    if list_id:
        headers["List-Id"] = f"<{list_id}>"
    if in_reply_to:
        headers["In-Reply-To"] = headers["References"] = in_reply_to
    head = "".join(f"{name}: {written}\r\n" for name, written in headers.items())
    message = head.encode("ascii", "replace") + b"\r\n" + content.body
    parsed = _compare(message, headers, sent_from=sent_from, sent_to=sent_to, subject=shown_subject)
    other = mail_parts.differs(parsed, text=body, html=rich, pictures=pictures, files=files)
    if other:
        raise MailRefused(f"the message would not say what was meant: its {other} differs")
    return message


def _written_mailbox(box: Mailbox) -> str:
    if not box.name:
        return box.address
    if not box.name.isascii():
        phrase = Header(box.name, "utf-8", maxlinelen=70).encode(linesep="\r\n")
    elif _PLAIN_PHRASE.fullmatch(box.name):
        phrase = box.name
    else:
        phrase = f'"{box.name}"'
    return f"{phrase}\r\n <{box.address}>" if len(phrase) > 40 else f"{phrase} <{box.address}>"


def _written_text(text: str, name: str) -> str:
    # a word too long to fold at its ends is folded as encoded words
    charset = "us-ascii" if text.isascii() and max(map(len, text.split())) <= 60 else "utf-8"
    return Header(text, charset, maxlinelen=76, header_name=name).encode(linesep="\r\n")


def _clean_text(text: str) -> str:
    lines = (_without_controls(line).rstrip() for line in _LINE_BREAK.split(text))
    return "\n".join(lines).rstrip("\n") + "\n"


def _one_line(text: str) -> str:
    line = " ".join(_without_controls(_LINE_BREAK.sub(" ", text).replace("\t", " ")).split())
    # an encoded word in the text is text: broken up, no reader can take it for more
    return line.replace("=?", "= ?")


def _without_controls(text: str) -> str:
    """Without control and direction characters (tabs stay), a lone surrogate as U+FFFD."""
    return _SURROGATES.sub("\ufffd", _CONTROLS.sub("", text))


def _compare(
    message: bytes,
    headers: dict[str, str],
    *,
    sent_from: Mailbox,
    sent_to: Mailbox,
    subject: str,
) -> EmailMessage:
    """What a parser reads; MailRefused unless the headers say exactly what was meant, to us and
    to it."""

    def expect(what: str, found: object, meant: object) -> None:
        if found != meant:
            raise MailRefused(f"the message would not say what was meant: its {what} differs")

    if not message.isascii() or b"\0" in message or re.search(rb"(?<!\r)\n|\r(?!\n)", message):
        raise MailRefused("the message holds bytes that plain mail cannot carry")
    if max(map(len, message.split(b"\r\n"))) > LONGEST_LINE_OCTETS:
        raise MailRefused(f"the message has a line of more than {LONGEST_LINE_OCTETS} octets")
    head = message.partition(b"\r\n\r\n")[0].decode("ascii")
    names = [line.partition(":")[0] for line in head.split("\r\n") if line[:1] not in (" ", "\t")]
    expect("header", names, list(headers))

    parsed = BytesParser(EmailMessage, policy=policy.SMTP).parsebytes(message)
    expect("header", sorted(parsed.keys()), sorted(headers))
    for name, box in (("From", sent_from), ("To", sent_to)):
        found = [(each.display_name, each.addr_spec) for each in parsed[name].addresses]
        # some parsers keep the blank that only separates the two halves of a long name
        expect(
            name,
            [("".join(shown.split()), address) for shown, address in found],
            [("".join(box.name.split()), box.address)],
        )
    expect("Subject", str(parsed["Subject"]), subject)
    for name in headers.keys() - {"From", "To", "Subject"}:
        expect(name, str(parsed[name]), headers[name])
    return parsed


# Sending


class Result(Enum):
    SENT = "sent"
    DEFERRED = "deferred"  # not now; worth another try later
    REFUSED = "refused"  # never for this recipient or message
    UNKNOWN = "unknown"  # given to the server, no answer came; it may have been delivered


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one message to one recipient.

    code:          the server's three digits; None where it gave none
    reason:        one line for a person; never holds the password
    whole_server:  nothing else can be sent through this server now either
    """

    result: Result
    code: int | None
    reason: str
    whole_server: bool = False


class _Deferred(Exception):
    def __init__(self, reason: str, *, code: int | None = None, halt: bool = False) -> None:
        super().__init__(reason)
        self.code = code
        self.halt = halt


class _TooLarge(Exception):
    """The server will never take this message, and may take the next."""

    def __init__(self, reason: str, code: int | None) -> None:
        super().__init__(reason)
        self.code = code


class Sender:
    """A mail server, for one round of sending; use it as a context manager.

    connect_timeout_s:  to connect, and again for the greeting and for a TLS handshake
    command_timeout_s:  for each answer before the message is sent
    reply_timeout_s:    for the answer to the message itself; servers scan it before they answer,
                        and giving up early is what makes second copies

    Each is a total, kept even if the server sends a byte now and then.
    """

    def __init__(
        self,
        settings: MailSettings,
        *,
        tls: ssl.SSLContext | None = None,
        connect_timeout_s: float = 30.0,
        command_timeout_s: float = 300.0,
        reply_timeout_s: float = 600.0,
    ) -> None:
        self._settings = settings
        self._server = f"{settings.host}:{settings.port}"
        self._sender = mailbox(settings.sender).address
        self._tls = tls
        self._connect_timeout_s = connect_timeout_s
        self._command_timeout_s = command_timeout_s
        self._reply_timeout_s = reply_timeout_s
        self._smtp: smtplib.SMTP | None = None
        self._failures = 0
        self._halted: Outcome | None = None

    def __enter__(self) -> Sender:
        return self

    def __exit__(self, *_: object) -> None:
        if self._smtp is not None:
            with (
                suppress(OSError, smtplib.SMTPException, ValueError),
                self._step(self._smtp, 5.0),
            ):
                self._smtp.docmd("QUIT")
        self._drop()

    def deliver(self, recipient: str, message: bytes) -> Outcome:
        """Hand one message to the server for one recipient. The network's failures are outcomes.

        A connection that fails is dropped, and the next call tries a fresh one once; when that
        fails too, or the server will not let us in, every further call is answered at once.
        """
        if self._halted is not None:
            return self._halted
        try:
            address = mailbox(recipient).address
        except MailRefused as error:
            return Outcome(result=Result.REFUSED, code=None, reason=str(error))
        reused = self._smtp is not None
        try:
            try:
                smtp = self._begin(message)
            except _Deferred as error:
                # a server may close a connection after so many messages; nothing was sent yet
                if not reused or error.halt or self._smtp is not None:
                    raise
                smtp = self._begin(message)
            outcome = self._transact(smtp, address, message)
        except _Deferred as error:
            return self._fail(error.code, f"{self._server} {error}", halt=error.halt)
        except _TooLarge as error:
            self._failures = 0
            return Outcome(result=Result.REFUSED, code=error.code, reason=f"{self._server} {error}")
        if outcome.result is Result.UNKNOWN:
            self._fail(None, f"{self._server} takes messages and does not answer", halt=False)
        else:
            self._failures = 0
        return outcome

    def check(self) -> str:
        """Connect and log in, send nothing; one line about the server.

        Raises MailDeferred with the reason where a notice could not be sent now.
        """
        try:
            smtp = self._open()
            self._command(smtp, "NOOP")
        except _Deferred as error:
            raise MailDeferred(f"{self._server} {error}") from error
        return mail_parts.answered(self._server, self._settings)

    # One transaction

    def _begin(self, message: bytes) -> smtplib.SMTP:
        """A connection on which MAIL FROM has been accepted."""
        smtp = self._open()
        size = f" SIZE={len(message)}" if smtp.has_extn("size") else ""
        # RFC 1870: who names a limit takes nothing larger (section 4; 0 is none), which need not be
        # asked (6); 552 says that the size given is too much for good (6.1), 452 only for now.
        limit = smtp.esmtp_features.get("size", "").strip()
        if limit.isdecimal() and 0 < int(limit) < len(message):
            raise _TooLarge(_too_large(len(message), f"takes at most {limit}"), None)
        code, reply = self._command(smtp, f"MAIL FROM:<{self._sender}>{size}")
        if code == 552 and size:
            self._reset(smtp)
            raise _TooLarge(_too_large(len(message), f"says {self._said(code, reply)}"), code)
        if code // 100 != 2:
            self._reset(smtp)
            # It speaks of the sender or the size, not of a recipient: a person can mend it, and
            # then the notices that wait are delivered.
            raise _Deferred(
                f"does not take mail from {self._sender}: {self._said(code, reply)}",
                code=code,
                halt=code // 100 == 5,
            )
        return smtp

    def _transact(self, smtp: smtplib.SMTP, address: str, message: bytes) -> Outcome:
        code, reply = self._command(smtp, f"RCPT TO:<{address}>")
        if code // 100 != 2:
            self._reset(smtp)
            if code in (530, 535, 538):
                raise _Deferred(f"wants a login: {self._said(code, reply)}", code=code, halt=True)
            return self._answer(code, reply)
        code, reply = self._command(smtp, "DATA")
        if code != 354:
            self._reset(smtp)
            return self._answer(code, reply)
        # The end of the message goes separately: until it is on its way the server cannot have
        # taken the message, from then on it can.
        body = re.sub(rb"(?m)^\.", b"..", message)
        if not body.endswith(b"\r\n"):
            body += b"\r\n"
        try:
            with self._step(smtp, self._command_timeout_s):
                smtp.send(body)
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._drop()
            raise _Deferred(f"broke off while the message was sent: {self._line(error)}") from error
        try:
            with self._step(smtp, self._reply_timeout_s):
                smtp.send(b".\r\n")
                code, reply = smtp.getreply()
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._drop()
            return self._unknown(self._line(error))
        if code // 100 not in (2, 4, 5):
            self._drop()
            return self._unknown(self._said(code, reply))
        if code == 421:
            self._drop()
            raise _Deferred(f"ended the connection: {self._said(code, reply)}", code=code)
        return self._answer(code, reply)

    def _answer(self, code: int, reply: bytes) -> Outcome:
        if code // 100 == 2:
            result = Result.SENT
        elif code // 100 == 5:
            result = Result.REFUSED
        else:
            result = Result.DEFERRED
        return Outcome(
            result=result, code=code, reason=f"{self._server}: {self._said(code, reply)}"
        )

    def _unknown(self, detail: str) -> Outcome:
        return Outcome(
            result=Result.UNKNOWN,
            code=None,
            reason=f"{self._server} took the message but gave no answer ({detail}); "
            "it may have been delivered",
        )

    def _fail(self, code: int | None, reason: str, *, halt: bool) -> Outcome:
        self._failures += 1
        outcome = Outcome(
            result=Result.DEFERRED,
            code=code,
            reason=reason,
            whole_server=halt or self._failures >= 2,
        )
        if outcome.whole_server:
            self._drop()
            self._halted = outcome
        return outcome

    def _reset(self, smtp: smtplib.SMTP) -> None:
        if self._smtp is None:
            return
        try:
            code, _ = self._command(smtp, "RSET")
        except _Deferred:
            return
        if code // 100 != 2:
            self._drop()

    # The connection

    def _open(self) -> smtplib.SMTP:
        if self._smtp is not None:
            return self._smtp
        settings = self._settings
        # The sender's own domain as greeting: asking the machine's name can wait long on DNS and
        # tells the world what the machine is called.
        smtp = smtplib.SMTP(
            local_hostname=self._sender.rpartition("@")[2], timeout=self._connect_timeout_s
        )
        self._smtp = smtp
        try:
            plain = socket.create_connection(
                (settings.host, settings.port), timeout=self._connect_timeout_s
            )
        except OSError as error:
            self._drop()
            raise _Deferred(f"cannot be reached: {self._line(error)}") from error
        smtp.sock = plain
        peer = str(plain.getpeername()[0]).partition("%")[0]
        if settings.security == "none" and not ipaddress.ip_address(peer).is_loopback:
            self._drop()
            raise _Deferred(
                'is not this machine: security "none" is for loopback only; '
                'use "starttls" or "tls"',
                halt=True,
            )
        # The end of a message goes separately, and must not wait until its text is confirmed.
        plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if settings.security == "tls":
            self._secure(smtp)
        self._greet(smtp)
        if settings.security == "starttls":
            self._start_tls(smtp)
        if settings.username:
            self._log_in(smtp)
        return smtp

    def _greet(self, smtp: smtplib.SMTP) -> None:
        try:
            with self._step(smtp, self._connect_timeout_s):
                code, reply = smtp.getreply()
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._drop()
            raise _Deferred(f"did not greet: {self._line(error)}") from error
        if code != 220:
            self._drop()
            raise _Deferred(f"takes no mail now: {self._said(code, reply)}", code=code)
        self._hello(smtp)

    def _hello(self, smtp: smtplib.SMTP) -> None:
        try:
            with self._step(smtp, self._command_timeout_s):
                code, reply = smtp.ehlo()
                if code // 100 == 5 and self._settings.security != "starttls":
                    code, reply = smtp.helo()
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._drop()
            raise _Deferred(f"broke off: {self._line(error)}") from error
        if code // 100 != 2:
            self._drop()
            raise _Deferred(f"takes no mail now: {self._said(code, reply)}", code=code)

    def _start_tls(self, smtp: smtplib.SMTP) -> None:
        # Somebody in between can strike out the offer; going on without would give them all.
        if not smtp.has_extn("starttls"):
            self._drop()
            raise _Deferred("does not offer STARTTLS; nothing was sent", halt=True)
        code, reply = self._command(smtp, "STARTTLS")
        if code != 220:
            self._drop()
            raise _Deferred(f"does not start TLS: {self._said(code, reply)}", code=code)
        self._secure(smtp)
        # what was said before the handshake, by whomever, is forgotten
        smtp.file = None
        smtp.ehlo_resp = smtp.helo_resp = None
        smtp.esmtp_features = {}
        smtp.does_esmtp = False
        self._hello(smtp)

    def _secure(self, smtp: smtplib.SMTP) -> None:
        context = self._tls or ssl.create_default_context()
        assert smtp.sock is not None
        try:
            with self._step(smtp, self._connect_timeout_s):
                smtp.sock = context.wrap_socket(smtp.sock, server_hostname=self._settings.host)
        except ssl.SSLCertVerificationError as error:
            self._drop()
            raise _Deferred(
                f"showed a certificate that is not valid for {self._settings.host}: "
                f"{_one_line(error.verify_message)}; nothing was sent",
                halt=True,
            ) from error
        except (OSError, ValueError) as error:
            self._drop()
            raise _Deferred(f"did not start TLS: {self._line(error)}") from error

    def _log_in(self, smtp: smtplib.SMTP) -> None:
        # One attempt by one method: trying them all counts as so many wrong passwords, and some
        # servers lock the account then.
        user, password = (
            each.encode("utf-8") for each in (self._settings.username, self._settings.password)
        )
        offered = smtp.esmtp_features.get("auth", "").upper().split()
        if "PLAIN" in offered:
            code, reply = self._command(smtp, "AUTH PLAIN " + _base64(b"\0", user, b"\0", password))
        elif "LOGIN" in offered:
            code, reply = self._command(smtp, "AUTH LOGIN")
            for each in (user, password):
                if code == 334:
                    code, reply = self._command(smtp, _base64(each))
        else:
            self._drop()
            raise _Deferred(
                "offers neither AUTH PLAIN nor AUTH LOGIN; leave out the username if it wants none",
                halt=True,
            )
        if code != 235:
            self._drop()
            trouble = "does not take this username and password" if code // 100 == 5 else "is busy"
            raise _Deferred(
                f"{trouble}: {self._said(code, reply)}", code=code, halt=code // 100 == 5
            )

    def _command(self, smtp: smtplib.SMTP, command: str) -> tuple[int, bytes]:
        """One command and its answer; 421, nonsense or silence ends the connection."""
        try:
            with self._step(smtp, self._command_timeout_s):
                code, reply = smtp.docmd(command)
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._drop()
            raise _Deferred(f"broke off: {self._line(error)}") from error
        if code == 421 or not 200 <= code <= 599:
            self._drop()
            raise _Deferred(
                f"ended the connection: {self._said(code, reply)}",
                code=code if code == 421 else None,
            )
        return code, reply

    @contextmanager
    def _step(self, smtp: smtplib.SMTP, limit_s: float) -> Iterator[None]:
        """At most `limit_s` for all that is inside.

        A socket's own timeout begins again with each byte, so a clock beside it cuts the line.
        """
        connection = smtp.sock
        if connection is None:
            raise OSError("not connected")
        connection.settimeout(limit_s)
        over = threading.Event()
        timer = threading.Timer(limit_s, _cut, (connection, over))
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()
        # what had come by then would read like a whole answer
        if over.is_set():
            raise TimeoutError(f"no whole answer within {limit_s:g} s")

    def _drop(self) -> None:
        smtp, self._smtp = self._smtp, None
        if smtp is not None:
            with suppress(OSError):
                smtp.close()

    # Words

    def _said(self, code: int, reply: bytes) -> str:
        return self._clean(f"{code if code > 0 else ''} {reply.decode('utf-8', 'replace')}")

    def _line(self, error: Exception) -> str:
        return self._clean(str(error) or type(error).__name__)

    def _clean(self, text: str) -> str:
        user, password = self._settings.username, self._settings.password
        if password:
            secret = password.encode("utf-8")
            for form in (
                password,
                _base64(secret),
                _base64(b"\0", user.encode("utf-8"), b"\0", secret),
            ):
                text = text.replace(form, "***")
        return _one_line(text)[:LONGEST_REASON] or "no reason given"


def _too_large(octets: int, said: str) -> str:
    return (
        f"{said}, and the notice has {octets} octets; have the limit raised there, or give the"
        ' recipient fewer yards: { address = "…", yards = ["…"] }'
    )


def _cut(connection: socket.socket, over: threading.Event) -> None:
    over.set()
    # not an SSL socket's own shutdown, which takes its state from under the thread that reads
    with suppress(OSError):
        socket.socket.shutdown(connection, socket.SHUT_RDWR)


def _base64(*parts: bytes) -> str:
    return base64.b64encode(b"".join(parts)).decode("ascii")
