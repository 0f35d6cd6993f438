"""A record for yards that have none yet: the service's own past runs, fetched once and kept."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from windowcast.edges import clock as real_clock
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store, StoredPastRun, pack_tenths, unpack_tenths
from windowcast.past_years import cell
from windowcast.sky.highs import DailyHighs
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    from windowcast.edges.past_runs import PastRuns
    from windowcast.sky.calibrate import Record
    from windowcast.sky.past_runs import PastRun

# A yard weighs up to 37 calls, and a morning must not wait for many.
YARDS_A_RUN = 5
# What has not come in so many days after the first will not come.
GO_ON = timedelta(days=7)

Say = Callable[[str], None]
Sleep = Callable[[float], None]
Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bootstrapped:
    """What a run of `bootstrap` did.

    asked:  names of the yards whose past runs were asked for
    runs:   how many runs were kept
    """

    asked: tuple[str, ...]
    runs: int


def bootstrap(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
    most: int = YARDS_A_RUN,
    sleep: Sleep = time.sleep,
    clock: Clock = real_clock.now,
) -> Bootstrapped:
    """Fetch and keep past runs for yards that lack them, for at most `most` yards.

    An interrupted fetch goes on in a later run, for up to a week after its first answer. The first
    server that cannot be reached ends this run. Weather errors are said, never raised: the morning
    goes on with the built-in error statistics.
    """
    settings = configuration.weather
    if settings.provider == "sample" or not (
        settings.previous_runs_url or settings.single_runs_url
    ):
        return Bootstrapped(asked=(), runs=0)
    from windowcast.edges.allowance import Spent
    from windowcast.edges.past_runs import fetch_past_runs

    asked: list[str] = []
    kept = 0
    seen: set[str] = set()
    for yard in _in_turn(yards, now):
        if len(asked) >= most:
            break
        place = past_runs_place(yard)
        have = store.past_runs(place)
        if place in seen or not _lacks(configuration, yard, have, now):
            continue
        seen.add(place)
        asked.append(yard.name)
        utc_day = now.astimezone(UTC).date()
        already = store.spent(utc_day)
        got = fetch_past_runs(
            yard,
            settings,
            now=now,
            say=say,
            spent=Spent(day=utc_day, weight=already),
            have={(row.origin, row.issued) for row in have},
            sleep=sleep,
            clock=clock,
        )
        used = got.spent.weight - (already if got.spent.day == utc_day else 0.0)
        if used > 0:
            store.spend(got.spent.day, used)
        store.save_past_runs(_rows(place, got))
        kept += len(got.runs)
        for error in got.errors:
            say(str(error))
        if got.unreachable:
            break
    return Bootstrapped(asked=tuple(asked), runs=kept)


def past_runs_place(yard: Yard) -> str:
    """What past runs are kept under: neighbours in one grid cell share them if their days agree."""
    return f"{cell(yard)} {yard.timezone}"


def stored_past_runs(store: Store, yard: Yard) -> tuple[list[PastRun], DailyHighs | None]:
    """A yard's past runs, and what the service's analysis says came; None: it is not kept."""
    from windowcast.sky.past_runs import PastRun

    runs: list[PastRun] = []
    observed: DailyHighs | None = None
    for row in store.past_runs(past_runs_place(yard)):
        highs = DailyHighs(first_day=row.first_day, tenths=tuple(unpack_tenths(row.tenths)))
        if row.origin == "analysis":
            observed = highs  # ordered by the day of the fetch: the newest counts
        else:
            runs.append(PastRun(issued=row.issued, highs=highs, origin=row.origin))
    return runs, observed


def stored_record(
    store: Store, yard: Yard, leads: Sequence[int], *, observed: DailyHighs | None = None
) -> Record | None:
    """A yard's past runs as a record for `learn`; None where no run or nothing observed is kept.

    observed:  what came, such as a yard's own thermometer says; None: the service's analysis
    """
    from windowcast.sky.past_runs import record_of

    runs, analysis = stored_past_runs(store, yard)
    came = observed if observed is not None else analysis
    return None if came is None else record_of(runs, came, leads)


def _lacks(
    configuration: Configuration, yard: Yard, have: Sequence[StoredPastRun], now: datetime
) -> bool:
    """Whether anything that was wanted when the first answer came is still to be asked for."""
    from windowcast.edges.past_runs import single_run_days

    if not have:
        return True
    begun = min(row.fetched_at for row in have)
    if now - begun > GO_ON:
        return False
    settings = configuration.weather
    if settings.previous_runs_url and all(row.origin != "previous" for row in have):
        return True
    got: set[date] = {row.issued for row in have if row.origin == "single"}
    return bool(settings.single_runs_url) and not got.issuperset(single_run_days(yard, begun))


def _in_turn(yards: Sequence[Yard], now: datetime) -> list[Yard]:
    """Another yard first each day, so that yards the service refuses do not keep out the others."""
    if not yards:
        return []
    first = now.astimezone(UTC).date().toordinal() * YARDS_A_RUN % len(yards)
    return [*yards[first:], *yards[:first]]


def _rows(place: str, got: PastRuns) -> list[StoredPastRun]:
    rows = [
        StoredPastRun(
            place=place,
            issued=run.issued,
            first_day=run.highs.first_day,
            tenths=pack_tenths(run.highs.tenths),
            origin=run.origin,
            fetched_at=got.fetched_at,
        )
        for run in got.runs
    ]
    if got.observed is not None and got.observed.tenths:
        rows.append(
            StoredPastRun(
                place=place,
                issued=got.fetched_at.date(),
                first_day=got.observed.first_day,
                tenths=pack_tenths(got.observed.tenths),
                origin="analysis",
                fetched_at=got.fetched_at,
            )
        )
    return rows
