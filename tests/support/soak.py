"""Many mornings in a short time: the real service's ticks under a clock that is moved by hand, real
servers on loopback, and a fault in a share of all requests and letters."""

from __future__ import annotations

import os
import random
import resource
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import time_machine

from support.journey import TREATMENTS, Journey, settings, yard_table
from support.mailbox import Mailbox
from support.weather_server import Place, WeatherServer
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.service import Ticker

WEATHER_FAULTS = ("status:503", "close", "truncated", "html", "cut-json", "nginx", "status:500")
MAIL_FAULTS = ("450 4.2.0 try later", "421 4.3.2 shutting down", "451 4.3.0 not now")
TICK = timedelta(minutes=5)
ZONES = ("America/Chicago", "Europe/Berlin", "Australia/Lord_Howe")
BEGINS = datetime(2026, 10, 10, tzinfo=UTC)
"""Over the clock changes of all three zones within thirty days."""


@dataclass
class Soaked:
    """What came of it.

    letters:   by recipient and local date, how many arrived
    asked:     requests to the weather server, and how many of them met a fault
    refused:   replies of the mail server that were faults
    rss_mb:    largest resident memory so far, day by day
    file_kb:   of the database, day by day
    """

    letters: Counter[tuple[str, str]] = field(default_factory=Counter)
    asked: int = 0
    faults: int = 0
    refused: int = 0
    rss_mb: list[float] = field(default_factory=list)
    file_kb: list[float] = field(default_factory=list)


class FaultyWeather(WeatherServer):
    """Each request meets a fault with this chance."""

    def __init__(self, share: float, drawn: random.Random, **others: Any) -> None:
        super().__init__(**others)
        self._share, self._drawn = share, drawn
        self.met = 0

    def next_fault(self, path: str) -> str:
        if self._drawn.random() >= self._share:
            return "ok"
        self.met += 1
        return self._drawn.choice(WEATHER_FAULTS)


def soak(
    folder: Path,
    *,
    days: int,
    share: float,
    seed: int = 1,
    each_day: Callable[[int], None] = lambda day: None,
) -> Soaked:
    """Run so many days; `share` of all requests and letters meet a fault."""
    drawn = random.Random(seed)
    found = Soaked()
    replies = [
        drawn.choice(MAIL_FAULTS) if drawn.random() < share else "" for _ in range(200 * days)
    ]
    place = Place(
        daily_highs=[20.0] * 16,
        members=[[20.0] * 15] * 11,
        extended=[[20.0] * 46] * 11,
        timezone="UTC",
    )
    recipients = {f"Yard {n}": f"yard{n}@example.org" for n in range(len(ZONES))}
    with (
        time_machine.travel(BEGINS, tick=False) as clock,
        FaultyWeather(share, drawn, default=place, now=lambda: datetime.now(UTC)) as server,
        Mailbox(refusals={"DATA": list(replies)}) as box,
    ):
        journey = Journey(folder=folder, zone="UTC")
        journey.write("treatments.toml", TREATMENTS)
        journey.write(
            "yards.toml",
            "".join(
                yard_table(
                    name, 40.0 + n, -99.7, zone, extra=f'recipients = ["{recipients[name]}"]'
                )
                for n, (name, zone) in enumerate(zip(recipients, ZONES, strict=True))
            ),
        )
        text = settings(
            forecast=server.forecast_url,
            ensemble=server.ensemble_url,
            seasonal=server.seasonal_url,
            mail_port=box.port,
            recipients="[]",
        )
        journey.write("windowcast.toml", text)
        configuration = config.load(folder, {"XDG_CACHE_HOME": str(folder / "cache")})
        with open_store(configuration) as store:
            ticker = Ticker(configuration, run=store.begin_run(os.getpid(), BEGINS))
        now = BEGINS
        for day in range(days):
            ends = now + timedelta(days=1)
            while now < ends:
                clock.move_to(now, tick=False)
                ticker.tick(now)
                now += TICK
            found.rss_mb.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
            found.file_kb.append(
                sum(path.stat().st_size for path in folder.glob("windowcast.db*")) / 1024
            )
            each_day(day)
        for letter in box.letters:
            who = letter.recipients[0]
            zone = ZoneInfo(ZONES[list(recipients.values()).index(who)])
            local = letter.message["Date"].datetime.astimezone(zone)
            found.letters[who, local.date().isoformat()] += 1
        found.asked = server.requests.total()
        found.faults = server.met
        found.refused = sum(bool(one) for one in replies) - sum(
            bool(one) for one in box.refusals["DATA"]
        )
    return found
