"""What is asked of the weather service: sources, groups of yards, parameters, and their weight."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import lru_cache
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast.edges.settings import WeatherSettings
from windowcast.sky.highs import daily_blocks_are_local_days
from windowcast.trade.yard import Yard

FORECAST_DAYS = 16
EXTENDED_DAYS = 46
EXTENDED_MODEL = "ecmwf_ec46"
# Up to ten variables weigh no more than one.
FORECAST_HOURLY = "temperature_2m,precipitation,wind_speed_10m"
PLACES_PER_REQUEST = 100
# Hourly members of a hundred places would be 2 million numbers in one answer.
PLACES_PER_HOURLY_MEMBERS_REQUEST = 25

# For the weight of a request only; an unknown model is taken to be as large as the largest.
MEMBERS_OF_MODEL = {
    "ecmwf_ifs025_ensemble": 51,
    "ecmwf_aifs025_ensemble": 51,
    "ncep_gefs025": 31,
    "ncep_gefs05": 31,
    "ncep_gefs_seamless": 31,
    "ncep_aigefs025": 31,
    "gem_global_ensemble": 21,
    "icon_seamless_eps": 40,
    "icon_global_eps": 40,
    "icon_eu_eps": 40,
    "icon_d2_eps": 20,
    "bom_access_global_ensemble": 18,
    "ukmo_global_ensemble_20km": 18,
}
LARGEST_ENSEMBLE = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One source: where and what to ask. `members`: how many it has, for the weight; 0: one run."""

    source: str
    url: str
    members: int
    model: str
    deadline_s: float

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Yards that fit into one request's parameters, and how their values come."""

    yards: list[Yard] = field(default_factory=list)
    hourly: bool
    zone: str  # what `timezone` says: "GMT" for hourly values


def plans(
    settings: WeatherSettings, deadline_s: float = 30.0, ensemble_deadline_s: float = 60.0
) -> Iterator[Plan]:
    model = settings.ensemble_model
    for source, url, members, name, limit_s in (
        ("forecast", settings.forecast_url, 0, "", deadline_s),
        (
            "ensemble",
            settings.ensemble_url,
            MEMBERS_OF_MODEL.get(model, LARGEST_ENSEMBLE),
            model,
            ensemble_deadline_s,
        ),
        ("extended", settings.seasonal_url, 51, EXTENDED_MODEL, ensemble_deadline_s),
    ):
        if url:
            yield Plan(source=source, url=url, members=members, model=name, deadline_s=limit_s)


def places_per_request(plan: Plan, *, hourly: bool, per_minute: float | None) -> int:
    """How many places one request asks for, within what a minute allows (None: no limit)."""
    many = plan.members > 0 and hourly
    size = PLACES_PER_HOURLY_MEMBERS_REQUEST if many else PLACES_PER_REQUEST
    if per_minute is None:
        return size
    return max(1, min(size, int(per_minute / weight_per_place(plan, hourly=hourly))))


def groups_of(plan: Plan, yards: Sequence[Yard], now: datetime) -> list[Group]:
    """Yards by what one request of a source can hold."""
    if plan.source == "forecast":
        return grouped(yards, lambda yard: True)
    if plan.source == "extended":
        return grouped(yards, lambda yard: False)
    return grouped(yards, lambda yard: not blocks_fit(yard, now, None))


def blocks_fit(yard: Yard, now: datetime, utc_offset_seconds: int | None) -> bool:
    """Whether the ensemble's daily blocks are the yard's days; None: at the present offset."""
    zone = ZoneInfo(yard.timezone)
    local = now.astimezone(zone)
    if utc_offset_seconds is None:
        offset = local.utcoffset()
        utc_offset_seconds = int(offset.total_seconds()) if offset is not None else 0
    return _blocks_are_days(zone, local.date(), FORECAST_DAYS, utc_offset_seconds)


@lru_cache(maxsize=256)
def _blocks_are_days(zone: ZoneInfo, first_day: date, days: int, offset_s: int) -> bool:
    return daily_blocks_are_local_days(zone, first_day, days, offset_s)


def grouped(yards: Sequence[Yard], hourly: Callable[[Yard], bool]) -> list[Group]:
    """Yards by what one request can hold: one zone for daily values, elevations for all or none."""
    groups: dict[tuple[bool, str, bool], Group] = {}
    for yard in yards:
        by_hour = hourly(yard)
        zone = "GMT" if by_hour else yard.timezone
        key = (by_hour, zone, yard.elevation_m is not None)
        if key not in groups:
            groups[key] = Group(hourly=by_hour, zone=zone)
        groups[key].yards.append(yard)
    return list(groups.values())


def parameters(plan: Plan, group: Group, yards: Sequence[Yard]) -> dict[str, str]:
    days = EXTENDED_DAYS if plan.source == "extended" else FORECAST_DAYS
    found = {
        "latitude": ",".join(_plain(yard.latitude) for yard in yards),
        "longitude": ",".join(_plain(yard.longitude) for yard in yards),
    }
    heights = [yard.elevation_m for yard in yards if yard.elevation_m is not None]
    if heights:
        found["elevation"] = ",".join(_plain(height) for height in heights)
    if plan.model:
        found["models"] = plan.model
    if group.hourly:
        variables = FORECAST_HOURLY if plan.source == "forecast" else "temperature_2m"
        found |= {"hourly": variables, "past_days": str(past_days(plan))}
    else:
        found["daily"] = "temperature_2m_max"
    return found | {
        "timezone": group.zone,
        "forecast_days": str(days),
        "temperature_unit": "celsius",
        **(
            {"precipitation_unit": "mm", "wind_speed_unit": "kmh"}
            if group.hourly and plan.source == "forecast"
            else {}
        ),
    }


def past_days(plan: Plan) -> int:
    """How many days before today (GMT) come with hourly values.

    One covers today: in the Americas the local day of a GMT midnight began the day before. With two
    the whole of yesterday is there as well, in every zone, which is what came to pass. Members of
    an ensemble say nothing of that, and each day of theirs weighs.
    """
    return 2 if plan.source == "forecast" else 1


def _plain(value: float) -> str:
    """A decimal without an exponent, to a tenth of a metre on the ground."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def weight_per_place(plan: Plan, *, hourly: bool) -> float:
    """How many calls the service counts for one place: max(1, V/10, V/10 × days/14).

    V is variables × members; the seasonal service divides it by 24 and by 5, in whole numbers.
    """
    variables = max(1, plan.members)
    days = FORECAST_DAYS + (past_days(plan) if hourly else 0)
    if plan.source == "extended":
        variables, days = variables // 24 // 5, EXTENDED_DAYS
    return max(1.0, variables / 10, variables / 10 * days / 14)
