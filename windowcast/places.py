"""Places of yards that may be true and are more often a slip: noted, and never refused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from windowcast.language import tr
from windowcast.notice import words
from windowcast.past_errors import distance_km
from windowcast.trade.yard import Yard

HOURS_APART = 3.5
"""A zone's standard time may be so far from the sun's at a longitude. In the far west of China it
is 3.1 hours (IANA time zone database); elsewhere on land hardly more than two."""
FAR_KM = 2000
"""A yard so far from every other is noted: more than anybody drives to bees in a day, less than
what a wrong sign or a missing figure comes to."""


def odd_places(yards: Sequence[Yard], now: datetime) -> Iterator[str]:
    """What is odd about where yards are, a sentence each."""
    for yard in yards:
        apart = hours_apart(yard, now)
        if apart > HOURS_APART:
            yield tr(
                "note: {yard}: its longitude {longitude} and its time zone {zone} are {hours} hours"
                " apart; see whether the sign and the zone are right",
                yard=yard.name,
                longitude=words.general(yard.longitude),
                zone=yard.timezone,
                hours=words.decimal(apart, 1),
            )
    if len(yards) == 2 and _far(*yards):
        yield tr(
            "note: {yard} and {other} are {km} km apart; see whether both places are right",
            yard=yards[0].name,
            other=yards[1].name,
            km=words.number(round(distance_km(*yards))),
        )
    elif len(yards) > 2:
        for index, yard in enumerate(yards):
            # The one before it in the file is near, as a rule.
            if index and not _far(yard, yards[index - 1]):
                continue
            if all(_far(yard, other) for other in yards if other is not yard):
                nearest = min(
                    (other for other in yards if other is not yard),
                    key=lambda other: distance_km(yard, other),
                )
                yield tr(
                    "note: {yard} is {km} km from {other}, which is the nearest of the others; see"
                    " whether its place is right",
                    yard=yard.name,
                    km=words.number(round(distance_km(yard, nearest))),
                    other=nearest.name,
                )


def hours_apart(yard: Yard, now: datetime) -> float:
    """Between the mean time of a yard's longitude and its zone's standard time; 0 to 12, since a
    zone may be a day ahead of its longitude."""
    local = now.astimezone(ZoneInfo(yard.timezone))
    standard = (local.utcoffset() or timedelta()) - (local.dst() or timedelta())
    apart = abs(standard / timedelta(hours=1) - yard.longitude / 15) % 24
    return min(apart, 24 - apart)


def _far(one: Yard, other: Yard) -> bool:
    return distance_km(one, other) > FAR_KM
