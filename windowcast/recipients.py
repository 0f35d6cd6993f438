"""Who is told of a yard, of what, and when not."""

from __future__ import annotations

from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from windowcast.edges.config_values import bare
from windowcast.edges.settings import Configuration
from windowcast.language import english, spoken
from windowcast.trade.yard import Yard

PUSH = "push"
"""Stands for the channels of [push] where an address stands for a person."""


def recipients_of(configuration: Configuration, yard: Yard) -> tuple[str, ...]:
    """Everyone told of a yard, each address once; "" stands for printing where no mail is set."""
    settings = configuration.mail
    if settings is None:
        return ("",)
    found: dict[str, str] = {}
    for address in (*settings.recipients, *yard.recipients):
        only = settings.only_yards.get(_bare(address))
        if only is None or yard.name.casefold() in only:
            # RFC 5321, 2.4: only the server may take letters before the "@" for alike. The name
            # beside an address makes no second one.
            local_part, _, domain = bare(address).rpartition("@")
            found.setdefault(f"{local_part}@{domain.casefold()}", address)
    return tuple(found.values())


def urgent_recipients_of(configuration: Configuration, yard: Yard) -> tuple[str, ...]:
    """The same with the channels that urgent messages also go to."""
    push = (PUSH,) if configuration.push else ()
    return (*recipients_of(configuration, yard), *push)


def is_told(configuration: Configuration, recipient: str) -> bool:
    """Whether somebody, a channel or an address beside whatever name, is still told of a yard."""
    return recipient == PUSH or any(
        _bare(recipient) == _bare(one)
        for yard in configuration.yards
        for one in recipients_of(configuration, yard)
    )


def wants_only_news(configuration: Configuration, address: str) -> bool:
    """Whether somebody is told only when something has changed."""
    return configuration.mail is not None and _bare(address) in configuration.mail.only_news


def spoken_to(configuration: Configuration, address: str) -> AbstractContextManager[None]:
    """Within it, every text is in the language of `address`: that of the configuration, where no
    other was asked for; so also for "", what is printed."""
    lookup = configuration.lookup
    if configuration.mail is not None:
        name = configuration.mail.languages.get(_bare(address))
        if name is not None:
            lookup = configuration.lookups.get(name, english)
    return spoken(lookup)


def not_before(configuration: Configuration, yard: Yard, now: datetime) -> datetime | None:
    """The end of the quiet hours that `now` lies in at a yard; None outside of them."""
    settings = configuration.mail
    if settings is None or settings.quiet_from is None or settings.quiet_until is None:
        return None
    zone = ZoneInfo(yard.timezone)
    local = now.astimezone(zone)
    hour, begins, ends = local.time(), settings.quiet_from, settings.quiet_until
    over_midnight = begins > ends
    quiet = (hour >= begins or hour < ends) if over_midnight else begins <= hour < ends
    if not quiet:
        return None
    day = local.date() + timedelta(days=1 if over_midnight and hour >= begins else 0)
    return datetime.combine(day, ends, tzinfo=zone)


def _bare(address: str) -> str:
    return bare(address).casefold()
