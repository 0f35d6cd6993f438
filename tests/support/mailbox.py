"""A real mail server on loopback that keeps what it is given and refuses what a test asks for."""

from __future__ import annotations

import asyncio
import ssl
import threading
from dataclasses import dataclass
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """One accepted message, with its envelope."""

    sender: str
    recipients: tuple[str, ...]
    content: bytes

    @property
    def message(self) -> EmailMessage:
        return BytesParser(EmailMessage, policy=policy.SMTP).parsebytes(self.content)

    @property
    def text(self) -> str:
        """Its plain text, whatever else is in it."""
        return self.part("plain")

    @property
    def html(self) -> str:
        return self.part("html")

    def part(self, kind: str) -> str:
        part = self.message.get_body((kind,))
        assert part is not None, f"no {kind} part"
        return part.get_content().replace("\r\n", "\n")


class Mailbox:
    """`with Mailbox() as mailbox:` listens on `mailbox.port` and collects `mailbox.letters`.

    refusals:  stage or recipient to replies, each used once in turn: "MAIL", "DATA", or an
               address (at RCPT); a reply is a line such as "450 4.2.0 try later", or "" to accept
    tls:       the server's context; with `implicit` from the first byte, else by STARTTLS
    login:     the one username and password that are let in; None wants no login
    """

    host = "127.0.0.1"

    def __init__(
        self,
        *,
        refusals: dict[str, list[str]] | None = None,
        tls: ssl.SSLContext | None = None,
        implicit: bool = False,
        login: tuple[str, str] | None = None,
        port: int = 0,
    ) -> None:
        self.refusals = {stage: list(replies) for stage, replies in (refusals or {}).items()}
        self.letters: list[Letter] = []
        self.connections = 0
        self.logins: list[tuple[str, str]] = []
        self.port = port
        self._tls = tls
        self._implicit = implicit
        self._login = login
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def __enter__(self) -> Mailbox:
        self._thread.start()
        self._server = self._run(self._listen())
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    def __exit__(self, *_: object) -> None:
        self._run(self._stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()

    def _run(self, coroutine: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result(10)

    async def _listen(self) -> asyncio.Server:
        return await self._loop.create_server(
            self._session,
            self.host,
            self.port,
            ssl=self._tls if self._implicit else None,
        )

    async def _stop(self) -> None:
        self._server.close()
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)
        await asyncio.sleep(0.01)  # lets transports close

    def _session(self) -> SMTP:
        self.connections += 1
        starttls = self._tls is not None and not self._implicit
        return SMTP(
            self,
            hostname="mail.example.org",
            loop=self._loop,
            tls_context=self._tls if starttls else None,
            require_starttls=starttls,
            auth_require_tls=starttls,
            authenticator=self._authenticate if self._login else None,
        )

    def _authenticate(
        self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any
    ) -> AuthResult:
        assert isinstance(data, LoginPassword)
        found = (data.login.decode(), data.password.decode())
        self.logins.append(found)
        return AuthResult(success=found == self._login, handled=False)

    def _next(self, stage: str) -> str:
        replies = self.refusals.get(stage)
        return replies.pop(0) if replies else ""

    # aiosmtpd calls these by name

    async def handle_MAIL(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        if self._login and not session.authenticated:
            return "530 5.7.0 log in first"
        if reply := self._next("MAIL"):
            return reply
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        if reply := self._next(address):
            return reply
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        if reply := self._next("DATA"):
            return reply
        self.letters.append(
            Letter(
                sender=envelope.mail_from,
                recipients=tuple(envelope.rcpt_tos),
                content=envelope.content,
            )
        )
        return "250 OK"
