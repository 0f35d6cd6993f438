"""How much may still be asked of a weather service, by the minute, the hour and the day."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Self

from windowcast.errors import WeatherRefused

Say = Callable[[str], None]
Sleep = Callable[[float], None]
Now = Callable[[], datetime]

# What the free service allows each address; failed calls count 1.
FREE_PER_MINUTE = 600.0
FREE_PER_HOUR = 5_000.0
FREE_PER_DAY = 10_000.0

# Just after the minute has turned on the server's clock, which is not quite ours.
AFTER_THE_TURN_S = 1.5


def utc_now() -> datetime:
    """This instant, aware, in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Spent:
    """The request weight used up on one day of UTC."""

    day: date
    weight: float


class Budget:
    """How much request weight one fetch may still use; waits for the next minute or hour.

    A request's weight is added before it is sent, so that a batch never overshoots. None as a limit
    is no limit. The hour is waited for like the minute: a thousand yards need more than one hour's
    weight, and an announced wait gives all of them a forecast.
    """

    def __init__(
        self,
        *,
        per_minute: float | None,
        per_hour: float | None,
        per_day: float | None,
        say: Say,
        spent: Spent | None = None,
        sleep: Sleep = time.sleep,
        now: Now = utc_now,
    ) -> None:
        self.per_minute = per_minute
        self._per_hour = per_hour
        self._per_day = per_day
        self._say = say
        self._sleep = sleep
        self._now = now
        instant = now()
        same_day = spent is not None and spent.day == instant.date()
        self._day, self._in_day = instant.date(), spent.weight if spent and same_day else 0.0
        self._minute, self._in_minute = minute_of(instant), 0.0
        self._hour, self._in_hour = hour_of(instant), 0.0

    @classmethod
    def for_host(
        cls,
        host: str,
        *,
        calls_per_minute: float | None,
        calls_per_day: float | None,
        say: Say,
        spent: Spent | None = None,
        sleep: Sleep = time.sleep,
        now: Now = utc_now,
    ) -> Self:
        """The budget for a host, from the settings (None: the free limits on public hosts).

        Hosts that begin with `customer-` are the paid service's: no limit of ours applies there.
        """
        name = host.lower()
        public = name == "open-meteo.com" or name.endswith(".open-meteo.com")
        free = public and not name.startswith("customer-")
        return cls(
            per_minute=_limit(calls_per_minute, FREE_PER_MINUTE if free else None),
            # A minute's limit of one's own says that the free rules do not apply.
            per_hour=FREE_PER_HOUR if free and calls_per_minute is None else None,
            per_day=_limit(calls_per_day, FREE_PER_DAY if free else None),
            say=say,
            spent=spent,
            sleep=sleep,
            now=now,
        )

    def count_on(self, earlier: Budget) -> None:
        """Begin with what an earlier fetch from the same host has used of this minute and hour."""
        self._minute, self._in_minute = earlier._minute, earlier._in_minute
        self._hour, self._in_hour = earlier._hour, earlier._in_hour

    @property
    def spent(self) -> Spent:
        """The weight used today, what was given in included."""
        return Spent(self._day, self._in_day)

    def take(self, weight: float, progress: str = "") -> None:
        """Wait until a request of this weight is allowed, and count it.

        progress:  how far the work is, for the announcement: "300 of 1000 yards done"

        Raises WeatherRefused where the day's budget is used up; nothing is counted then.
        """
        self._turn()
        until, unit = self._next(weight)
        over = self._per_day is not None and self._in_day + weight > self._per_day
        # A wait over midnight brings the new day's budget.
        if self._per_day is not None and over and until.date() == self._day:
            raise WeatherRefused(
                f"the day's budget of {self._per_day:g} weather calls is used up"
                f" ({self._in_day:.0f} used, {weight:.0f} more needed);"
                " it begins anew at 00:00 UTC"
            )
        if unit:
            self._wait(until, unit, progress)
        self.add(weight)

    def _next(self, weight: float) -> tuple[datetime, str]:
        """When a request of this weight may go out, and whose limit that is; "" for at once."""
        # A request heavier than the whole allowance can only go out alone, in a fresh minute.
        if self._per_hour is not None and 0 < self._in_hour > self._per_hour - weight:
            return self._hour + timedelta(hours=1), "hour"
        if self.per_minute is not None and 0 < self._in_minute > self.per_minute - weight:
            return self._minute + timedelta(minutes=1), "minute"
        return self._now(), ""

    def add(self, weight: float) -> None:
        """Count weight that was used without asking, such as a repeated attempt."""
        self._turn()
        self._in_minute += weight
        self._in_hour += weight
        self._in_day += weight

    def settle(self, weight: float, sent: int) -> None:
        """Set right what was taken for a request, by how often it was sent in the end.

        weight:  as it was taken
        sent:    0: none reached the service, which has counted nothing; each repetition counts 1
        """
        if sent:
            self.add(sent - 1)
            return
        # What the clock has begun anew since then holds nothing of it.
        self._turn()
        self._in_minute = max(0.0, self._in_minute - weight)
        self._in_hour = max(0.0, self._in_hour - weight)
        self._in_day = max(0.0, self._in_day - weight)

    def _wait(self, until: datetime, unit: str, progress: str) -> None:
        seconds = (until - self._now()).total_seconds() + AFTER_THE_TURN_S
        if seconds <= 0:
            return
        length = f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
        self._say(
            f"waiting {length} for the weather service's {unit} budget"
            + (f"; {progress}" if progress else "")
        )
        self._sleep(seconds)
        self._turn()

    def _turn(self) -> None:
        """Begin anew what the clock has begun anew."""
        instant = self._now()
        if minute_of(instant) != self._minute:
            self._minute, self._in_minute = minute_of(instant), 0.0
        if hour_of(instant) != self._hour:
            self._hour, self._in_hour = hour_of(instant), 0.0
        if instant.date() != self._day:
            self._day, self._in_day = instant.date(), 0.0


def _limit(chosen: float | None, default: float | None) -> float | None:
    if chosen is None:
        return default
    return None if chosen == 0 else chosen


def minute_of(instant: datetime) -> datetime:
    return instant.replace(second=0, microsecond=0)


def hour_of(instant: datetime) -> datetime:
    return instant.replace(minute=0, second=0, microsecond=0)
