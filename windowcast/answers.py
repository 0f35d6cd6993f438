"""Many yards' answers: what alike ones have in common is worked out once, in blocks."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime

from windowcast.answer import Join, Moment, YardWeather, find_treatments, moment, stored_weather
from windowcast.crew.held_back import kept_back
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import Scenarios, join
from windowcast.trade.yard import Yard
from windowcast.window.decide import Flaw, YardAnswer
from windowcast.window.scan import Start

BLOCK = 256
"""Yards that are worked out together: more gain nothing, and their highs have to be in memory."""
FEWEST = 8
"""Fewer alike yards are scanned one by one: numpy takes as long for one as for many, and has to be
imported first."""

Alike = tuple[tuple[str, ...], int, Moment, date, int, int]

log = logging.getLogger("windowcast")


class Weathers(Mapping[str, YardWeather]):
    """By name the weather of yards, read from the store each time it is asked for, so that the
    highs of many yards need not be held.

    errors:  by name, what the last fetch said, by source
    """

    def __init__(
        self,
        configuration: Configuration,
        store: Store,
        yards: Sequence[Yard],
        now: datetime,
        errors: Mapping[str, Mapping[str, str]],
    ) -> None:
        self._configuration, self._store, self._now = configuration, store, now
        self._yards = {yard.name: yard for yard in yards}
        self._errors = errors
        self._joined: Join = join
        if len(yards) >= FEWEST:
            from windowcast.sky import joining

            self._joined = joining.join

    def __getitem__(self, name: str) -> YardWeather:
        return stored_weather(
            self._configuration,
            self._store,
            self._yards[name],
            self._now,
            self._errors.get(name),
            joined=self._joined,
        )

    def __iter__(self) -> Iterator[str]:
        return iter(self._yards)

    def __len__(self) -> int:
        return len(self._yards)


def slim(answer: YardAnswer, cancel_below: float) -> YardAnswer:
    """Without the starts that nothing speaks of where many yards are told of: that is the first
    one, those of the days that are named or come nearest, and those that are kept because they were
    named before."""
    treatments = []
    for one in answer.treatments:
        days = {row.day for row in (*one.rows[:1], one.named, one.best) if row is not None}
        days |= {
            row.day
            for row in one.rows
            if row.flaws == (Flaw.CHANCE,)
            and row.start.chance is not None
            and row.start.chance.value >= cancel_below
        }
        days |= {row.day for row in kept_back(one)}
        treatments.append(
            one._replace(rows=tuple(row for row in one.rows if row.start.start in days))
        )
    return answer._replace(treatments=tuple(treatments))


def starts_of(
    configuration: Configuration, weathers: Sequence[tuple[Yard, YardWeather]], now: datetime
) -> dict[str, list[list[Start]]]:
    """By name and treatment what `scan` gives of each yard, of those that can be scanned together.

    The others, and all where the block cannot be scanned for a mistake of the program, are left to
    be scanned one by one.
    """
    groups: dict[Alike, list[tuple[Yard, Scenarios, DailyHighs | None]]] = {}
    for yard, weather in weathers:
        scenarios = weather.scenarios
        if scenarios is not None and scenarios.days and scenarios.count:
            alike = (
                yard.treatments,
                yard.hive.brood_chambers,
                moment(configuration, yard, now),
                scenarios.first_day,
                scenarios.days,
                scenarios.count,
            )
            groups.setdefault(alike, []).append((yard, scenarios, weather.forecast))
    found: dict[str, list[list[Start]]] = {}
    for (_, _, when, *_), alikes in groups.items():
        if len(alikes) < FEWEST:
            continue
        from windowcast.window.starts import scan_block

        yards, courses, forecasts = zip(*alikes, strict=True)
        try:
            block = scan_block(
                find_treatments(configuration, yards[0]),
                courses,
                forecasts,
                today=when.today,
                first_start=when.first_start,
            )
        except Exception:
            log.exception("%d yards are scanned one by one", len(yards))
            continue
        found |= {yard.name: starts for yard, starts in zip(yards, block, strict=True)}
    return found
