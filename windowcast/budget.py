"""What a morning costs at the weather service, before it is asked: calls, weight, and time.

Computed with the very parts that ask: the same groups, batches and weights, and the same budget
with a clock that only counts. So what is said here is what a morning does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from windowcast import bootstrap, chance, past_years
from windowcast.answer import place
from windowcast.cells import shares
from windowcast.edges.settings import Configuration
from windowcast.edges.store import KnownCell, Store, encode
from windowcast.trade.yard import Yard

SECONDS_A_REQUEST = 1.0
"""How long an answer is taken to need; what limits make one wait for is added."""
DAYS_A_MONTH = 30
LIGHTER_MODEL = "gem_global_ensemble"
"""The ensemble with the fewest members that reaches as far as the forecast."""


class Plan(NamedTuple):
    """What the service allows, by weight; None: no limit is documented.

    sources:  those that it includes; None: all
    """

    name: str
    per_minute: float | None
    per_hour: float | None
    per_day: float | None
    per_month: float
    sources: frozenset[str] | None = None


PLANS = (
    Plan("free", 600, 5_000, 10_000, 300_000),
    Plan("standard", None, None, None, 1_000_000, frozenset({"forecast"})),
    Plan("professional", None, None, None, 5_000_000),
)
"""As the service's pages on pricing and terms say; the free one is not for commercial use, and for
the paid ones the addresses begin with "customer-" and need a key."""


class _Ask(NamedTuple):
    """One request: of which source, at which host, for how many places, and its weight."""

    source: str
    host: str
    places: int
    weight: float


def document(configuration: Configuration, store: Store | None, *, now: datetime) -> dict[str, Any]:
    """What the morning at `now` costs, as plain values.

    store:  what is known of grid cells and past years; None: nothing is, as on the first morning
    """
    found: dict[str, Any] = {
        "schema": 1,
        "yards": len(configuration.yards),
        "provider": configuration.weather.provider,
        "share_cells": configuration.weather.share_cells,
    }
    if configuration.weather.provider == "sample":
        return found | {"sources": [], "morning": None, "plans": [], "fits": True, "changes": []}
    asks = _asks(configuration, store, now)
    in_force = _in_force(configuration)
    plans = [_fits(configuration, asks, plan, now) for plan in PLANS]
    ours = _fits(configuration, asks, in_force, now)
    once = _once(configuration, store, now)
    weight = sum(one.weight for one in asks)
    again = _a_month(once)
    return found | {
        "sources": _by_source(asks),
        "morning": {
            "requests": len(asks),
            "weight": round(weight, 1),
            "weight_a_month": round(weight * DAYS_A_MONTH + again, 1),
            "past_years_a_month": round(again, 1),
        },
        "once": once,
        "second": _second(configuration),
        "watch": _watch(configuration, weight),
        "plan": in_force.name,
        "fits": ours["fits"],
        "in_force": ours,
        "plans": plans,
        "changes": _changes(configuration, store, weight, now),
        "enough": [] if ours["fits"] else _enough(configuration, store, now),
    }


def _asks(configuration: Configuration, store: Store | None, now: datetime) -> list[_Ask]:
    """A morning's requests in their order."""
    from windowcast.edges.allowance import Budget
    from windowcast.edges.openmeteo_plans import (
        groups_of,
        places_per_request,
        plans,
        weight_per_place,
    )

    settings = configuration.weather
    asks: list[_Ask] = []
    for plan in plans(settings):
        budget = Budget.for_host(
            plan.host,
            calls_per_minute=settings.calls_per_minute,
            calls_per_day=settings.calls_per_day,
            say=lambda text: None,
        )
        for group in groups_of(plan, _leads(configuration, store, plan.source), now):
            weight = weight_per_place(plan, hourly=group.hourly)
            size = places_per_request(plan, hourly=group.hourly, per_minute=budget.per_minute)
            for first in range(0, len(group.yards), size):
                places = len(group.yards[first : first + size])
                asks.append(_Ask(plan.source, plan.host, places, places * weight))
    return asks


def _leads(configuration: Configuration, store: Store | None, source: str) -> list[Yard]:
    """The yards that are asked for, others' sakes included."""
    settings, yards = configuration.weather, configuration.yards
    if not settings.share_cells:
        return list(yards)
    known: dict[str, KnownCell] = {}
    if store is not None:
        names = {yard.name: encode(place(yard, settings)) for yard in yards}
        cells = store.cells(source, list(names.values()))
        known = {name: cells[where] for name, where in names.items() if where in cells}
    return [one.lead for one in shares(yards, known)]


def _by_source(asks: Sequence[_Ask]) -> list[dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for one in asks:
        row = found.setdefault(
            one.source,
            {"source": one.source, "host": one.host, "requests": 0, "places": 0, "weight": 0.0},
        )
        row["requests"] += 1
        row["places"] += one.places
        row["weight"] += one.weight
    for row in found.values():
        row["weight_a_place"] = round(row["weight"] / row["places"], 2)
        row["weight"] = round(row["weight"], 1)
    return list(found.values())


def _in_force(configuration: Configuration) -> Plan:
    """The plan of the hosts that are asked, with the configuration's own limits."""
    settings = configuration.weather
    hosts = {_host(url) for url in (settings.forecast_url, settings.ensemble_url) if url}
    if not any(_is_public(host) for host in hosts):
        plan = Plan("own server", None, None, None, float("inf"))
    elif any(host.startswith("customer-") for host in hosts):
        plan = PLANS[2] if settings.ensemble_url or settings.seasonal_url else PLANS[1]
    else:
        plan = PLANS[0]
    if settings.calls_per_minute is not None:
        # As when it asks: a minute's limit of one's own says that the free rules do not apply.
        plan = plan._replace(per_minute=settings.calls_per_minute or None, per_hour=None)
    if settings.calls_per_day is not None:
        plan = plan._replace(per_day=settings.calls_per_day or None)
    return plan


def _fits(
    configuration: Configuration, asks: Sequence[_Ask], plan: Plan, now: datetime
) -> dict[str, Any]:
    """How a morning goes under a plan's limits, begun at a full hour."""
    from windowcast.edges.allowance import Budget, Spent
    from windowcast.errors import WeatherRefused

    counted = [one for one in asks if plan.name == "own server" or _is_public(one.host)]
    clock = _Counting(now.replace(hour=6, minute=0, second=0, microsecond=0))
    begun = clock.instant
    served: dict[str, int] = {}
    lacking: dict[str, int] = {}
    spent: Spent | None = None
    budget: Budget | None = None
    source = ""
    for one in counted:
        if budget is None or one.source != source:
            source = one.source
            budget = Budget(
                per_minute=plan.per_minute,
                per_hour=plan.per_hour,
                per_day=plan.per_day,
                say=lambda text: None,
                spent=spent,
                sleep=clock.wait,
                now=clock,
            )
        try:
            budget.take(one.weight)
        except WeatherRefused:
            lacking[source] = lacking.get(source, 0) + one.places
        else:
            served[source] = served.get(source, 0) + one.places
            clock.wait(SECONDS_A_REQUEST)
        spent = budget.spent
    weight = sum(one.weight for one in counted)
    month = weight * DAYS_A_MONTH
    sources = {one.source for one in counted}
    excluded = [] if plan.sources is None else sorted(sources - plan.sources)
    over = [
        unit
        for unit, passes in (("day", not lacking), ("month", month <= plan.per_month))
        if not passes
    ]
    return {
        "plan": plan.name,
        "per_minute": plan.per_minute,
        "per_hour": plan.per_hour,
        "per_day": plan.per_day,
        "per_month": None if plan.per_month == float("inf") else plan.per_month,
        "fits": not over and not excluded,
        "over": over,
        "not_included": excluded,
        "seconds": round((clock.instant - begun).total_seconds()),
        "places_without": lacking,
    }


class _Counting:
    """A clock that only waiting moves."""

    def __init__(self, instant: datetime) -> None:
        self.instant = instant

    def __call__(self) -> datetime:
        return self.instant

    def wait(self, seconds: float) -> None:
        self.instant += timedelta(seconds=seconds)


def _once(configuration: Configuration, store: Store | None, now: datetime) -> list[dict[str, Any]]:
    """What is fetched once and kept: what is still to come, and how much of it a morning takes."""
    settings = configuration.weather
    if not configuration.chance.calibrate:
        return []
    from windowcast.edges import archive, past_runs

    found: list[dict[str, Any]] = []
    if settings.archive_url:
        cells = {past_years.cell(yard): yard for yard in configuration.yards}
        lacking = [
            yard
            for yard in cells.values()
            if store is None or past_years.kept_past_years(store, yard, now) is None
        ]
        days = archive.past_days(configuration.yards[0], now)
        found.append(
            {
                "what": "past years",
                "of": len(cells),
                "lacking": len(lacking),
                "weight_each": round(archive.weight(*days), 1),
                "at_most_a_morning": chance.ARCHIVES_A_RUN,
                "again_after_days": past_years.KEEP_PAST_YEARS.days,
            }
        )
    if settings.previous_runs_url or settings.single_runs_url:
        places = {bootstrap.past_runs_place(yard): yard for yard in configuration.yards}
        new = [one for one in places if store is None or not store.past_runs(one)]
        each = (past_runs.previous_runs_weight() if settings.previous_runs_url else 0.0) + (
            past_runs.DAYS // past_runs.STRIDE_DAYS * past_runs.SINGLE_RUN_WEIGHT
            if settings.single_runs_url
            else 0.0
        )
        found.append(
            {
                "what": "past runs",
                "of": len(places),
                "lacking": len(new),
                "weight_each": round(each, 1),
                "at_most_a_morning": bootstrap.YARDS_A_RUN,
                "again_after_days": None,
            }
        )
    return found


def _a_month(once: Sequence[dict[str, Any]]) -> float:
    """What is fetched again after a while, spread over the months."""
    return math.fsum(
        one["of"] * one["weight_each"] * DAYS_A_MONTH / one["again_after_days"]
        for one in once
        if one["again_after_days"]
    )


def _second(configuration: Configuration) -> list[dict[str, Any]]:
    """Requests to second services, which count requests and no weight."""
    settings = configuration.weather
    if not settings.contact:
        return []
    from windowcast.edges import nws

    covered = sum(nws.covers(yard) for yard in configuration.yards)
    return [
        {"source": name, "host": _host(url), "requests": requests}
        for name, url, requests in (
            ("met-norway", settings.metno_url, len(configuration.yards)),
            # The place first, then its forecast.
            ("nws", settings.nws_url, 2 * covered),
        )
        if url and requests
    ]


def _watch(configuration: Configuration, weight: float) -> dict[str, Any]:
    """What looks between mornings cost, for each yard that is watched."""
    hours = configuration.morning.watch_hours
    each = weight / len(configuration.yards) if configuration.yards else 0.0
    return {
        "looks_a_day": int(24 // hours) if hours else 0,
        "weight_a_yard": round(each, 2),
    }


def _options(configuration: Configuration) -> list[tuple[str, str, Configuration]]:
    """Changes that spare requests: what to write, what is lost, and what it then looks like."""
    settings = configuration.weather

    def changed(**values: Any) -> Configuration:
        return configuration._replace(weather=settings._replace(**values))

    found: list[tuple[str, str, Configuration]] = []
    if not settings.share_cells:
        found.append(("[weather] share_cells = true", "nothing", changed(share_cells=True)))
    if settings.seasonal_url:
        found.append(('[weather] seasonal_url = ""', "extended range", changed(seasonal_url="")))
    if settings.ensemble_url:
        from windowcast.edges.openmeteo_plans import LARGEST_ENSEMBLE, MEMBERS_OF_MODEL

        few = MEMBERS_OF_MODEL[LIGHTER_MODEL]
        if few < MEMBERS_OF_MODEL.get(settings.ensemble_model, LARGEST_ENSEMBLE):
            found.append(
                (
                    f'[weather] ensemble_model = "{LIGHTER_MODEL}"',
                    "scenarios",
                    changed(ensemble_model=LIGHTER_MODEL),
                )
            )
        found.append(('[weather] ensemble_url = ""', "ensemble", changed(ensemble_url="")))
    return found


def _changes(
    configuration: Configuration, store: Store | None, weight: float, now: datetime
) -> list[dict[str, Any]]:
    return [
        {
            "set": text,
            "saves_a_morning": round(
                weight - sum(one.weight for one in _asks(changed, store, now)), 1
            ),
            "loses": loses,
        }
        for text, loses, changed in _options(configuration)
    ]


def _enough(configuration: Configuration, store: Store | None, now: datetime) -> list[str]:
    """The changes that lose least with which the morning fits; none: none do.

    One alone, else the first ones together; the ensemble, on which the chance rests, goes last.
    """

    def fits(one: Configuration) -> bool:
        plan = _in_force(one)
        return bool(_fits(one, _asks(one, store, now), plan, now)["fits"])

    for keep_ensemble in (True, False):
        options = [
            one for one in _options(configuration) if (one[1] != "ensemble") or not keep_ensemble
        ]
        for text, _, changed in options if keep_ensemble else options[-1:]:
            if fits(changed):
                return [text]
        done: list[str] = []
        current = configuration
        while options := [
            one for one in _options(current) if (one[1] != "ensemble") or not keep_ensemble
        ]:
            text, _, current = options[0]
            done.append(text)
            if fits(current):
                return done
    return []


def _host(url: str) -> str:
    from urllib.parse import urlsplit

    return urlsplit(url).hostname or ""


def _is_public(host: str) -> bool:
    return host == "open-meteo.com" or host.endswith(".open-meteo.com")
