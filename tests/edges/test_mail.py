from __future__ import annotations

import socket
import ssl
import subprocess
import sys
import threading
import time
import unicodedata
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from pathlib import Path

import pytest
import trustme
from hypothesis import given, settings
from hypothesis import strategies as st

from support.mailbox import Mailbox
from windowcast.edges import config_values, mail
from windowcast.edges.mail import Outcome, Result, Sender, compose, message_id
from windowcast.edges.settings import MailSettings
from windowcast.edges.store import NewNotice, open_store
from windowcast.errors import MailDeferred, MailRefused

MESSAGE_ID = message_id("crew@example.org 2026-08-31", "example.org")
AT = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
PASSWORD = "b33s & höney=?"


def letter(
    subject="Creek Bend can start today",
    text="Creek Bend\n",
    *,
    sender="Windowcast <bees@example.org>",
    recipient="crew@example.org",
    **others,
) -> bytes:
    return compose(
        sender=sender,
        recipient=recipient,
        subject=subject,
        text=text,
        message_id=others.pop("message_id", MESSAGE_ID),
        date=AT,
        **others,
    )


def read(message: bytes) -> EmailMessage:
    return BytesParser(EmailMessage, policy=policy.SMTP).parsebytes(message)


HEADERS = Counter(
    [
        "date",
        "from",
        "to",
        "message-id",
        "subject",
        "auto-submitted",
        "mime-version",
        "content-type",
        "content-transfer-encoding",
    ]
)


def test_a_message_to_the_byte():
    assert letter(text="10–29.5 °C\n.\nFrom here\n", list_id="bend.example.org") == (
        b"Date: Mon, 31 Aug 2026 11:00:00 +0000\r\n"
        b"From: Windowcast <bees@example.org>\r\n"
        b"To: crew@example.org\r\n"
        b"Message-ID: " + MESSAGE_ID.encode() + b"\r\n"
        b"Subject: Creek Bend can start today\r\n"
        b"Auto-Submitted: auto-generated\r\n"
        b"MIME-Version: 1.0\r\n"
        b'Content-Type: text/plain; charset="utf-8"\r\n'
        b"Content-Transfer-Encoding: quoted-printable\r\n"
        b"List-Id: <bend.example.org>\r\n"
        b"\r\n"
        b"10=E2=80=9329.5 =C2=B0C\r\n=2E\r\nFrom here\r\n"
    )


def test_the_same_key_has_the_same_message_id():
    assert message_id("a", "example.org") == message_id("a", "example.org")
    assert message_id("a", "example.org") != message_id("b", "example.org")


@pytest.mark.parametrize(
    "evil",
    [
        "x\r\nBcc: thief@example.org",
        "x\nBcc: thief@example.org",
        "x\rBcc: thief@example.org",
        "x\r\n\r\nAnother text",
        "x\0y",
        "x\x0b\x0cBcc: thief@example.org",
        "x\x1c\x1d\x1eBcc: thief@example.org",
        "x\x85Bcc: thief@example.org",
        "x\u2028Bcc: thief@example.org",
        "x\u2029Bcc: thief@example.org",
        "x\x9fy\x1b[31m",
        "=?utf-8?q?x=0ABcc=3A_thief=40example.org?=",
        "=?utf-8?q?=0D=0ABcc:_thief?= =?utf-8?b?Cg==?=",
        "=?utf-8?b?eApCY2M6IHRoaWVmQGV4YW1wbGUub3Jn?=",
        "=?utf-8?q?=3D=3Futf-8=3Fq=3F=0ABcc=3A_x=3F=3D?=",
        "= ?utf-8?q?x=0ABcc:?=",
        "\udc0aBcc: x",
        "x\u202eevil\u2066",
    ],
)
class TestInjection:
    def test_a_subject_and_a_text_stay_what_they_are(self, evil):
        message = letter(subject=evil, text=evil)

        found = read(message)
        assert Counter(name.lower() for name in found) == HEADERS
        assert b"\r\nBcc" not in message.partition(b"\r\n\r\n")[0]
        assert "\n" not in found["Subject"]
        assert not set(found.get_content()) & set("\0\x0b\x1b\x85\u2028\u2029\u202e\u2066")

    @pytest.mark.parametrize("where", ["sender", "recipient"])
    def test_an_address_is_refused(self, evil, where):
        for text in (f"{evil} <a@example.org>", f"{evil}@example.org", f"a@{evil}"):
            try:
                message = letter(**{where: text})
            except MailRefused as error:
                assert "\n" not in str(error)
            else:
                # the broken-up encoded word is a plain name
                assert Counter(name.lower() for name in read(message)) == HEADERS

    def test_an_id_is_refused(self, evil):
        with pytest.raises(MailRefused):
            letter(message_id=f"<{evil}@example.org>")
        with pytest.raises(MailRefused):
            letter(list_id=evil)
        with pytest.raises(MailRefused):
            letter(in_reply_to=evil)
        with pytest.raises(MailRefused):
            message_id("key", evil)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "crew",
        "crew@",
        "@example.org",
        "a@b@example.org",
        "a b@example.org",
        "a@example..org",
        "a@-example.org",
        "a..b@example.org",
        "a@example.org, b@example.org",
        "a@example.org>",
        "<a@example.org> x",
        "a@[127.0.0.1]",
        '"a b"@example.org',
        "jörg@example.org",
        "a@" + "x" * 64 + ".org",
        "a" * 65 + "@example.org",
        "alice@example.org)bob@example.org",
    ],
)
def test_what_is_no_address_is_refused(address):
    with pytest.raises(MailRefused):
        mail.mailbox(address)


@pytest.mark.parametrize(
    ("text", "name", "address"),
    [
        ("crew@example.org", "", "crew@example.org"),
        ("<crew@example.org>", "", "crew@example.org"),
        ('"The, crew" <crew@example.org>', "The, crew", "crew@example.org"),
        ("Bees  & Co. (north) <a+b@example.org>", "Bees & Co. (north)", "a+b@example.org"),
        ("Čebelnjak <c@bücher.test>", "Čebelnjak", "c@xn--bcher-kva.test"),
        ("É" * 60 + " <c@example.org>", "É" * 60, "c@example.org"),
        ("w" * 90 + " <c@example.org>", "w" * 90, "c@example.org"),
    ],
)
def test_a_mailbox_arrives_as_meant(text, name, address):
    (found,) = read(letter(recipient=text))["To"].addresses

    assert found.addr_spec == address
    # the parser of some Pythons keeps the blank between the two halves of a long encoded name
    assert found.display_name.replace(" ", "") == name.replace(" ", "")


@given(text=st.text(max_size=400))
@settings(max_examples=150, deadline=None)
def test_any_text_is_composed(text):
    message = letter(subject="Yard " + text, text=text, sender="bees@example.org")

    assert message.isascii()
    assert max(map(len, message.split(b"\r\n"))) <= 78
    assert Counter(name.lower() for name in read(message)) == HEADERS


@given(
    text=st.text(
        st.characters(categories=("L", "N", "P", "S", "Zs"), exclude_characters="=?"), min_size=1
    )
)
@settings(max_examples=100, deadline=None)
def test_a_subject_is_read_as_it_was_written(text):
    subject = " ".join(f"Yard {text}".split())

    assert read(letter(subject=subject))["Subject"] == subject


@given(name=st.text(max_size=120))
@settings(max_examples=150, deadline=None)
def test_any_name_is_refused_or_arrives(name):
    try:
        message = letter(sender=f"{name} <bees@example.org>")
    except MailRefused:
        return

    assert Counter(key.lower() for key in read(message)) == HEADERS


@given(
    name=st.text(max_size=90),
    local_part=st.text("ab.+-_=?'/", max_size=66),
    domain=st.text("abü.-_Ⅷ", max_size=70),
)
@settings(max_examples=300, deadline=None)
def test_whatever_the_configuration_takes_for_a_recipient_can_be_written_to(
    name, local_part, domain
):
    for written in (f"{name} <{local_part}@{domain}>", f'"{name}" <{local_part}@{domain}.example>'):
        try:
            taken = config_values.address(written)
        except config_values.Wrong:
            continue
        assert Counter(key.lower() for key in read(letter(recipient=taken))) == HEADERS


def test_a_date_without_a_zone_is_a_mistake_of_ours():
    with pytest.raises(ValueError, match="time zone"):
        compose(
            sender="a@example.org",
            recipient="b@example.org",
            subject="x",
            text="x",
            message_id=MESSAGE_ID,
            date=datetime(2026, 8, 31),
        )


# Sending


def server(mailbox, **others) -> MailSettings:
    return MailSettings(
        **{
            "host": "127.0.0.1",
            "port": mailbox.port,
            "security": "none",
            "sender": "Windowcast <bees@example.org>",
            "recipients": ("crew@example.org",),
            **others,
        }
    )


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="module")
def certificate(authority) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost", "127.0.0.1").configure_cert(context)
    return context


@pytest.fixture(scope="module")
def trusting(authority) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


def results(sender: Sender, *recipients: str) -> list[Result]:
    return [sender.deliver(each, letter(recipient=each)).result for each in recipients]


def test_several_recipients_share_a_connection_and_nothing_else():
    with Mailbox(
        refusals={
            "b@example.org": ["550 5.1.1 no such bee"],
            "c@example.org": ["450 4.2.0 greylisted"],
        }
    ) as mailbox:
        with Sender(server(mailbox)) as sender:
            found = results(sender, *(f"{each}@example.org" for each in "abcd"))

        assert found == [Result.SENT, Result.REFUSED, Result.DEFERRED, Result.SENT]
        assert [each.recipients for each in mailbox.letters] == [
            ("a@example.org",),
            ("d@example.org",),
        ]
        assert mailbox.letters[0].sender == "bees@example.org"
        assert mailbox.connections == 1


def test_the_stored_bytes_arrive():
    """RFC 5321, 4.5.2 (from memory): a line that begins with a dot gets a second one on its way."""
    message = letter(text=".\n..\n.x\nFrom me\n" + "long " * 300 + "\n" + "x" * 5000 + "\nßüß 😀\n")
    with Mailbox() as mailbox, Sender(server(mailbox)) as sender:
        outcome = sender.deliver("crew@example.org", message)

        assert outcome.result is Result.SENT
        assert outcome.code == 250
        assert mailbox.letters[0].content == message
        assert mailbox.letters[0].text.startswith(".\n..\n.x\nFrom me\nlong ")


@pytest.mark.parametrize(
    ("stage", "reply", "result"),
    [
        ("MAIL", "450 later", Result.DEFERRED),
        ("MAIL", "421 closing", Result.DEFERRED),
        ("MAIL", "550 you may not send", Result.DEFERRED),
        # RFC 1870, section 6.1: the size that was declared is too much, now or for good.
        ("MAIL", "452 insufficient system storage", Result.DEFERRED),
        ("MAIL", "552 message size exceeds fixed maximum", Result.REFUSED),
        ("crew@example.org", "421 closing", Result.DEFERRED),
        ("crew@example.org", "451 later", Result.DEFERRED),
        ("crew@example.org", "530 log in first", Result.DEFERRED),
        ("crew@example.org", "553 never", Result.REFUSED),
        ("DATA", "421 closing", Result.DEFERRED),
        ("DATA", "452 full", Result.DEFERRED),
        ("DATA", "554 5.7.1 policy", Result.REFUSED),
        ("DATA", "999 what", Result.UNKNOWN),
    ],
)
def test_a_reply_decides(stage, reply, result):
    """RFC 5321, 4.2.1 (from memory): after 4yz try again, after 5yz not this again; 421 may
    come at any time (3.8). 530 is a login that lacks (RFC 4954, 6); 999 is no reply at all."""
    with Mailbox(refusals={stage: [reply]}) as mailbox, Sender(server(mailbox)) as sender:
        outcome = sender.deliver("crew@example.org", letter())

        assert outcome.result is result
        assert reply in outcome.reason
        assert mailbox.letters == []


def test_a_message_larger_than_the_server_takes_is_refused_and_the_next_one_sent():
    small, large = letter(), letter(text="a line of a long notice\n" * 500)
    with Mailbox(largest=5000) as mailbox, Sender(server(mailbox)) as sender:
        refused = sender.deliver("crew@example.org", large)
        sent = sender.deliver("crew@example.org", small)

        assert (refused.result, sent.result) == (Result.REFUSED, Result.SENT)
        assert "takes at most 5000" in refused.reason
        assert f"the notice has {len(large)} octets; have the limit raised there" in refused.reason
        assert [one.content for one in mailbox.letters] == [small]


def test_a_server_that_names_no_limit_is_given_what_there_is():
    """RFC 1870, section 4: a SIZE of 0 is no limit."""
    large = letter(text="a line of a long notice\n" * 500)
    with Mailbox(largest=0) as mailbox, Sender(server(mailbox)) as sender:
        assert sender.deliver("crew@example.org", large).result is Result.SENT


def test_421_costs_its_own_notice_a_delay_and_the_next_a_connection():
    with Mailbox(refusals={"a@example.org": ["421 closing"]}) as mailbox:
        with Sender(server(mailbox)) as sender:
            found = results(sender, "a@example.org", "b@example.org")

        assert found == [Result.DEFERRED, Result.SENT]
        assert mailbox.connections == 2


def test_a_server_that_limits_mails_per_connection_is_no_trouble():
    with Mailbox(refusals={"MAIL": ["", "421 enough for one connection", ""]}) as mailbox:
        with Sender(server(mailbox)) as sender:
            found = results(sender, "a@example.org", "b@example.org")

        assert found == [Result.SENT, Result.SENT]
        assert mailbox.connections == 2


def test_a_server_that_is_not_there_is_asked_twice_and_then_left_alone():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        settings = server(taken_port(taken.getsockname()[1]))
        with Sender(settings) as sender:
            outcomes = [sender.deliver("crew@example.org", letter()) for _ in range(3)]

    assert [each.result for each in outcomes] == [Result.DEFERRED] * 3
    assert [each.whole_server for each in outcomes] == [False, True, True]
    assert "cannot be reached" in outcomes[0].reason


class taken_port:  # noqa: N801
    def __init__(self, port: int) -> None:
        self.port = port


@pytest.mark.parametrize(("security", "implicit"), [("starttls", False), ("tls", True)])
def test_verified_tls(certificate, trusting, security, implicit):
    with (
        Mailbox(tls=certificate, implicit=implicit) as mailbox,
        Sender(server(mailbox, security=security), tls=trusting) as sender,
    ):
        outcome = sender.deliver("crew@example.org", letter())

        assert outcome.result is Result.SENT
        assert len(mailbox.letters) == 1


@pytest.mark.parametrize(("security", "implicit"), [("starttls", False), ("tls", True)])
@pytest.mark.parametrize("wrong", ["authority", "host"])
def test_a_certificate_that_proves_nothing(authority, trusting, security, implicit, wrong):
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    issuer = trustme.CA() if wrong == "authority" else authority
    issuer.issue_cert("localhost" if wrong == "authority" else "other.test").configure_cert(context)
    with (
        Mailbox(tls=context, implicit=implicit, login=("bees", PASSWORD)) as mailbox,
        Sender(
            server(
                mailbox, host="localhost", security=security, username="bees", password=PASSWORD
            ),
            tls=trusting,
        ) as sender,
    ):
        outcome = sender.deliver("crew@example.org", letter())

        assert outcome.result is Result.DEFERRED
        assert outcome.whole_server
        assert "certificate that is not valid for localhost" in outcome.reason
        assert mailbox.logins == []
        assert mailbox.letters == []


def test_without_starttls_nothing_is_said():
    """RFC 3207, 6 (from memory): somebody in between can strike the offer out."""
    with (
        Mailbox() as mailbox,
        Sender(server(mailbox, security="starttls", username="bees", password=PASSWORD)) as sender,
    ):
        outcome = sender.deliver("crew@example.org", letter())

        assert outcome == Outcome(
            result=Result.DEFERRED,
            code=None,
            reason=f"127.0.0.1:{mailbox.port} does not offer STARTTLS; nothing was sent",
            whole_server=True,
        )


def test_plain_is_for_loopback_only(monkeypatch):
    # an address of documentation that this machine cannot reach: only the rule is looked at
    inner, outer = socket.socketpair()
    with inner, outer:
        inner_peer = ("192.0.2.1", 25)

        class Elsewhere(socket.socket):
            def getpeername(self):
                return inner_peer

        elsewhere = Elsewhere(fileno=inner.detach())
        monkeypatch.setattr(socket, "create_connection", lambda *_, **__: elsewhere)
        with Sender(server(taken_port(25), host="mail.example.org")) as sender:
            outcome = sender.deliver("crew@example.org", letter())
        outer.settimeout(1)
        said = outer.recv(100)

    assert outcome.whole_server
    assert "loopback" in outcome.reason
    assert said == b""


def test_a_login_with_letters_of_every_kind(certificate, trusting):
    with (
        Mailbox(tls=certificate, login=("bees", PASSWORD)) as mailbox,
        Sender(
            server(mailbox, security="starttls", username="bees", password=PASSWORD), tls=trusting
        ) as sender,
    ):
        assert sender.check() == f"127.0.0.1:{mailbox.port} answers (STARTTLS, logged in)"
        assert sender.deliver("crew@example.org", letter()).result is Result.SENT


def test_a_wrong_password_is_tried_once_for_all(certificate, trusting):
    with (
        Mailbox(tls=certificate, login=("bees", "right")) as mailbox,
        Sender(
            server(mailbox, security="starttls", username="bees", password=PASSWORD), tls=trusting
        ) as sender,
    ):
        outcomes = [sender.deliver("crew@example.org", letter()) for _ in range(3)]

        assert len(mailbox.logins) == 1
        assert {(each.result, each.code, each.whole_server) for each in outcomes} == {
            (Result.DEFERRED, 535, True)
        }
        assert "username and password" in outcomes[0].reason
        assert PASSWORD not in repr(outcomes)


def test_check_says_why_not():
    with (
        Mailbox() as mailbox,
        Sender(server(mailbox, security="starttls")) as sender,
        pytest.raises(MailDeferred, match="does not offer STARTTLS"),
    ):
        sender.check()


@contextmanager
def speaking(*script: bytes, then: float = 0.0, drip: bool = False) -> Iterator[taken_port]:
    """A server that answers line by line from `script`, then is silent for a while and hangs up."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def serve() -> None:
            listening.settimeout(10)
            try:
                connection, _ = listening.accept()
            except OSError:
                return
            with connection, connection.makefile("rb") as lines:
                connection.sendall(script[0])
                in_text = False
                answers = list(script[1:])
                for line in lines:
                    if in_text and line != b".\r\n":
                        continue
                    if not answers:
                        break
                    answer = answers.pop(0)
                    in_text = answer.startswith(b"354")
                    connection.sendall(answer)
                until = time.monotonic() + then
                connection.settimeout(0.05)
                while time.monotonic() < until:
                    try:
                        if drip:
                            connection.sendall(b"2")
                        if not connection.recv(1024):
                            return  # the other side has gone
                    except TimeoutError:
                        continue
                    except OSError:
                        return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield taken_port(listening.getsockname()[1])
        thread.join(10)


READY = (b"220 ready\r\n", b"250 mail.example.org\r\n", b"250 OK\r\n", b"250 OK\r\n")


def deliver(port: taken_port, **timeouts: float) -> Outcome:
    with Sender(server(port), **timeouts) as sender:
        return sender.deliver("crew@example.org", letter())


def test_hanging_up_after_the_text_leaves_the_outcome_unknown():
    """RFC 1047: the server may have taken what it never answered."""
    with speaking(*READY, b"354 go\r\n") as port:
        outcome = deliver(port)

    assert outcome.result is Result.UNKNOWN
    assert "may have been delivered" in outcome.reason


def test_a_server_that_never_answers_is_not_given_every_notice():
    with Mailbox(refusals={"DATA": ["999 what", "999 what"]}) as mailbox:
        with Sender(server(mailbox)) as sender:
            outcomes = [sender.deliver("crew@example.org", letter()) for _ in range(3)]

        assert [each.result for each in outcomes] == [
            Result.UNKNOWN,
            Result.UNKNOWN,
            Result.DEFERRED,
        ]
        assert "may have been delivered" not in outcomes[2].reason
        assert mailbox.connections == 2


def test_hanging_up_before_the_text_is_a_plain_delay():
    with speaking(*READY) as port:
        outcome = deliver(port)

    assert outcome.result is Result.DEFERRED


@pytest.mark.parametrize("drip", [False, True])
def test_the_answer_to_the_text_is_waited_for_so_long_and_no_longer(drip):
    """RFC 5321, 4.5.3.2.6 (from memory): ten minutes, which is the default."""
    begun = time.monotonic()
    with speaking(*READY, b"354 go\r\n", then=9.0, drip=drip) as port:
        outcome = deliver(port, reply_timeout_s=0.3)
        took_s = time.monotonic() - begun

    assert outcome.result is Result.UNKNOWN
    assert took_s < 5


@pytest.mark.parametrize(
    "greeting",
    [
        b"554 no\r\n",
        b"421 busy\r\n",
        b"\xff\xfe garbage\r\n",
        b"220" + b"x" * 9000 + b"\r\n",
        b"",
    ],
)
def test_a_strange_greeting_is_a_delay(greeting):
    with speaking(greeting) as port:
        outcome = deliver(port, connect_timeout_s=0.3)

    assert outcome.result is Result.DEFERRED
    assert "\n" not in outcome.reason


@pytest.mark.parametrize(("code", "whole"), [(454, False), (535, True), (534, True)])
def test_a_login_that_cannot_be_had_now_is_tried_again_and_a_wrong_one_is_for_a_person(code, whole):
    """RFC 4954, 6 (from memory): 454 is a temporary failure, 535 and 534 ask for other credentials;
    more tries of those could lock the account."""
    with (
        speaking(
            b"220 ready\r\n",
            b"250-mail.example.org\r\n250 AUTH PLAIN\r\n",
            f"{code} no\r\n".encode(),
        ) as port,
        Sender(server(port, username="bees", password=PASSWORD)) as sender,
    ):
        outcome = sender.deliver("crew@example.org", letter())

    assert (outcome.result, outcome.code, outcome.whole_server) == (Result.DEFERRED, code, whole)


def test_a_reply_is_shown_on_one_line_without_the_password():
    with (
        speaking(
            b"220 ready\r\n",
            b"250-mail.example.org\r\n250 AUTH LOGIN\r\n",
            b"334 VXNlcm5hbWU6\r\n",
            b"334 UGFzc3dvcmQ6\r\n",
            b"535-no\x1b[31m " + PASSWORD.encode() + b"\r\n535 \xff end\r\n",
        ) as port,
        Sender(server(port, username="bees", password=PASSWORD)) as sender,
    ):
        outcome = sender.deliver("crew@example.org", letter())

    assert outcome.reason == (
        f"127.0.0.1:{port.port} does not take this username and password: 535 no[31m *** \ufffd end"
    )


# Store and sender together, killed at every point in between

DELIVER = """
import os, signal, sys
from datetime import datetime
from pathlib import Path
from windowcast.edges.mail import Sender
from windowcast.edges.settings import MailSettings
from windowcast.edges.store import open_store
folder, port, now, end = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3], sys.argv[4]
now = datetime.fromisoformat(now)
settings = MailSettings(host="127.0.0.1", port=port, security="none",
                        sender="bees@example.org", recipients=())
def point(name):
    if name == end:
        os.kill(os.getpid(), signal.SIGKILL)
with open_store("sqlite:///windowcast.db", folder) as store, Sender(settings) as sender:
    while (claim := store.claim(now)) is not None:
        point("claimed")
        outcome = sender.deliver(claim.notice.recipient, claim.notice.body)
        point("sent")
        store.mark_sent(claim, now=now, code=outcome.code)
        point("marked")
"""


@pytest.mark.parametrize(
    ("end", "copies"), [("claimed", 1), ("sent", 2), ("marked", 1), ("never", 1)]
)
def test_a_kill_anywhere_loses_no_notice(tmp_path, end, copies):
    with open_store("sqlite:///windowcast.db", tmp_path) as store:
        store.queue_notice(
            NewNotice(
                recipient="crew@example.org",
                message_id=MESSAGE_ID,
                subject="Creek Bend can start today",
                created_at=AT,
                kind="morning",
                local_date=AT.date(),
                body=letter(),
            )
        )
    with Mailbox() as mailbox:
        for now, until in ((AT, end), (AT + timedelta(minutes=15), "never")):
            subprocess.run(
                [
                    sys.executable,
                    "-c",
                    DELIVER,
                    tmp_path,
                    str(mailbox.port),
                    now.isoformat(),
                    until,
                ],
                cwd=Path(__file__).resolve().parents[2],
                timeout=20,
            )

        assert [each.content for each in mailbox.letters] == [letter()] * copies
    with open_store("sqlite:///windowcast.db", tmp_path) as store:
        assert len(store.notices("sent")) == 1


def test_no_control_or_direction_character_of_unicode_is_sent():
    """By their classes in the Unicode Character Database, as Python has it."""
    breaks = set("\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029")
    every = [chr(code) for code in [*range(0xD800), *range(0xE000, 0x10000)]]
    every = [one for one in every if one not in breaks]
    turned = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    kept = [
        one
        for one in every
        if one == "\t"
        or (unicodedata.category(one) != "Cc" and unicodedata.bidirectional(one) not in turned)
    ]

    sent = read(letter(text=f"<{''.join(every)}>\n")).get_content()

    assert sent == f"<{''.join(kept)}>\r\n"
    assert len(every) > len(kept)
