"""One yard's answer from its stored weather: no network, no heavy import.

This is the gather-and-decide part of the morning job that `windowcast yard` shares with it.
"""

from __future__ import annotations

import sys
import unicodedata
from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from windowcast.crew.held_back import Days
from windowcast.crew.travel import Point
from windowcast.edges import config_taken
from windowcast.edges.settings import Configuration, WeatherSettings
from windowcast.edges.store import SecondLook, Store, StoredSeries, unpack_tenths
from windowcast.edges.store import open_store as open_store_at
from windowcast.errors import UsageError
from windowcast.language import marked
from windowcast.sky.highs import DailyHighs, Members
from windowcast.sky.scenarios import MISSING, Scenarios, join
from windowcast.sky.second import Difference, Pair, differences, usual
from windowcast.trade.treatment import Treatment
from windowcast.trade.workable import DayWeather
from windowcast.trade.yard import Yard
from windowcast.window.decide import ForecastState, Rules, YardAnswer, decide
from windowcast.window.scan import Start, Words, scan

CLOCK_SLACK = timedelta(minutes=5)
"""What was fetched further ahead than this was stamped by a clock that was wrong."""
PAIR_MORNINGS = 90
"""So many past mornings tell how far two services usually differ."""
CORRECTED = "scenarios"
"""The source under which corrected scenarios are stored."""
UNCORRECTED = marked("Chance: the raw share of scenarios, not corrected.")
_NAMED = 20
"""So many names are listed to somebody who gave one that is none."""
SOURCES = ("forecast", "ensemble", "extended")
Join = Callable[[Members | None, Members | None], Scenarios | None]
ATTRIBUTIONS = {
    "open-meteo": marked("Weather data by Open-Meteo.com (CC BY 4.0)"),
    "sample": marked("Invented sample weather, not of any real place."),
}


SECOND = {
    "met-norway": (marked("MET Norway"), marked("Data from MET Norway (CC BY 4.0)")),
    "nws": (
        marked("the US National Weather Service"),
        marked("Data from the US National Weather Service"),
    ),
}
"""Second services: as people call them, and what their terms ask to be shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class YardWeather:
    """The weather that an answer rests on, and what is missing from it.

    fetched_at:  of the oldest source used; None without any
    fresh:       there is something, and nothing used is older than `max_age_hours`
    sources:     those used, of SOURCES
    missing:     those switched on that gave nothing usable, with the reason where it is known
    open_days:   what the forecast says of each day on which a hive might be opened
    second:      of second services, by name in SECOND, on which days they differ from the first
                 more than usual
    stands_in:   the second service whose highs stand in for the single forecast; "": none does
    """

    provider: str
    forecast: DailyHighs | None = None
    scenarios: Scenarios | None = None
    fetched_at: datetime | None = None
    run_at: datetime | None = None
    fresh: bool = False
    sources: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    open_days: Mapping[date, DayWeather] = field(default_factory=dict)
    second: Mapping[str, tuple[Difference, ...]] = field(default_factory=dict)
    stands_in: str = ""

    @property
    def corrected(self) -> bool:
        """The scenarios are corrected ones."""
        return self.scenarios is not None and self.scenarios.how not in ("", UNCORRECTED)

    @property
    def usable(self) -> bool:
        """There is a forecast, and it is not stale."""
        return self.fresh and bool(self.sources)


def open_store(
    configuration: Configuration, *, create: bool = True, read_only: bool = False
) -> Store:
    """The store that the configuration names, made where it is missing unless `create` is False.

    read_only:  nothing can be written through it
    """
    return open_store_at(
        configuration.store_url,
        configuration.folder,
        password=configuration.store_password,
        create=create,
        read_only=read_only,
    )


def find_yard(configuration: Configuration, name: str) -> Yard:
    """The yard of that name, whatever the case; UsageError naming the nearest one."""
    # Some systems and keyboards write a letter and its mark apart; the configuration joins them.
    wanted = unicodedata.normalize("NFC", name.strip()).casefold()
    for yard in configuration.yards:
        if yard.name.casefold() == wanted:
            return yard
    names = [yard.name for yard in configuration.yards]
    raise UsageError(_unknown("yard", name, names))


def find_treatment(configuration: Configuration, treatment_id: str) -> Treatment:
    """The treatment with that id; UsageError naming the nearest one."""
    for treatment in configuration.treatments:
        if treatment.id == treatment_id:
            return treatment
    ids = [treatment.id for treatment in configuration.treatments]
    raise UsageError(_unknown("treatment", treatment_id, ids))


def check_regimen(treatment: Treatment, regimen_id: str | None) -> None:
    """UsageError where the treatment has no such regimen."""
    ids = [regimen.id for regimen in treatment.regimens]
    if regimen_id is not None and regimen_id not in ids:
        raise UsageError(_unknown(f"regimen of {treatment.id}", regimen_id, ids))


def find_treatments(
    configuration: Configuration, yard: Yard, treatment_id: str | None = None
) -> tuple[Treatment, ...]:
    """The treatments considered at a yard, best first, as they are given in its hives; or the one
    asked for, listed or not."""
    ids = yard.treatments if treatment_id is None else (treatment_id,)
    chambers = yard.hive.brood_chambers
    return tuple(find_treatment(configuration, one).in_hives_of(chambers) for one in ids)


def stored_weather(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    now: datetime,
    errors: Mapping[str, str] | None = None,
    *,
    joined: Join = join,
) -> YardWeather:
    """The newest stored weather of a yard.

    Sources no older than `max_age_hours` are used, older ones only where none is fresh (and the
    answer is then stale). Series of another provider or another place (the yard has moved) are not
    its weather and are passed over.

    errors:  what the last fetch said, by source
    joined:  what joins ensemble and extended range: `sky.joining` has one for who has numpy at hand
    """
    settings = configuration.weather
    wanted = [source for source in SOURCES if _switched_on(settings, source)]
    newest = store.newest(yard.name, place=place(yard, settings), until=now + CLOCK_SLACK)
    kept = {source: newest[source] for source in wanted if source in newest}
    fresh = _fresh(settings, kept, now)
    used = fresh or kept
    said = errors or {}
    missing = tuple(
        said[source].removeprefix(f"{yard.name}: ")
        if source in said
        else f"{source}: {'only an old one is stored' if source in kept else 'none is stored'}"
        for source in wanted
        if source not in used
    )
    forecast = daily_highs(used["forecast"]) if "forecast" in used else None
    seconds, stands_in, since = _second(configuration, store, yard, now, forecast)
    if stands_in is not None and (forecast is None or not fresh):
        # A fresh second opinion serves better than a first one that is too old.
        name, forecast = stands_in
        if not fresh:
            used = {}
        missing = (*missing, f"the first days are those of {SECOND[name][0]}")
    else:
        stands_in = None
    instants = [one.fetched_at for one in used.values()] + ([] if stands_in is None else [since])
    return YardWeather(
        provider=settings.provider,
        forecast=forecast,
        scenarios=_scenarios(configuration, used, newest.get(CORRECTED), joined),
        fetched_at=min(instants, default=None),
        run_at=min((one.run_at for one in used.values() if one.run_at is not None), default=None),
        fresh=bool(fresh) or stands_in is not None,
        sources=(
            *(source for source in SOURCES if source in used),
            *(("second",) if stands_in is not None else ()),
        ),
        missing=missing,
        second=seconds,
        stands_in="" if stands_in is None else stands_in[0],
        open_days=_open_days(forecast, used.get("forecast")),
    )


def series_in_use(
    configuration: Configuration, store: Store, yard: Yard, now: datetime
) -> dict[str, StoredSeries]:
    """The fresh stored series that an answer of this moment rests on, by source."""
    settings = configuration.weather
    newest = store.newest(yard.name, place=place(yard, settings), until=now + CLOCK_SLACK)
    return _fresh(
        settings,
        {
            source: newest[source]
            for source in SOURCES
            if source in newest and _switched_on(settings, source)
        },
        now,
    )


def _fresh(
    settings: WeatherSettings, kept: Mapping[str, StoredSeries], now: datetime
) -> dict[str, StoredSeries]:
    limit = timedelta(hours=settings.max_age_hours)
    return {source: one for source, one in kept.items() if now - one.fetched_at <= limit}


def second_place(yard: Yard) -> list[Any]:
    """What a second look must have been at to be of this yard."""
    return [yard.latitude, yard.longitude, yard.elevation_m, yard.timezone]


def _second(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    now: datetime,
    forecast: DailyHighs | None,
) -> tuple[dict[str, tuple[Difference, ...]], tuple[str, DailyHighs] | None, datetime]:
    """Where second services differ from the first; the one that could stand in for it, and since
    when. Without a contact none was asked."""
    found: dict[str, tuple[Difference, ...]] = {}
    stands_in: tuple[str, DailyHighs] | None = None
    since = now
    if not configuration.weather.contact:
        return found, stands_in, since
    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    limit = timedelta(hours=configuration.weather.max_age_hours)
    looks = store.second_looks(yard.name, second_place(yard))
    for source in SECOND:
        mine = [one for one in looks if one.source == source]
        if not mine or now - mine[0].fetched_at > limit:
            continue
        highs = DailyHighs(mine[0].first_day, tuple(unpack_tenths(mine[0].tenths)))
        if stands_in is None and highs.last_day >= today:
            stands_in, since = (source, highs), mine[0].fetched_at
        if forecast is not None:
            pairs = _pairs(store, configuration, yard, mine)
            found[source] = differences(forecast, highs, today, usual(pairs))
    return found, stands_in, since


def _pairs(
    store: Store, configuration: Configuration, yard: Yard, looks: Sequence[SecondLook]
) -> list[Pair]:
    """What both services said on past mornings of the same days; the last PAIR_MORNINGS of them."""
    firsts = {
        one.first_day: one
        for one in store.fetches(yard.name, "forecast", place=place(yard, configuration.weather))[
            -PAIR_MORNINGS:
        ]
    }
    found: list[Pair] = []
    seen: set[date] = set()
    for look in looks[1:PAIR_MORNINGS]:
        first = firsts.get(look.first_day)
        if first is None or look.first_day in seen:
            continue
        seen.add(look.first_day)
        one, other = tenths_of(first), unpack_tenths(look.tenths)
        found += [
            Pair(ahead, high, second)
            for ahead, (high, second) in enumerate(zip(one, other, strict=False))
            if high != MISSING and second is not None
        ]
    return found


def _open_days(forecast: DailyHighs | None, newest: StoredSeries | None) -> dict[date, DayWeather]:
    """What is forecast of each day on which a hive might be opened; empty without a forecast."""
    if forecast is None:
        return {}
    first = forecast.first_day.toordinal()
    kept = None if newest is None else newest.detail.get("open_days")
    beside: dict[int, tuple[float | None, float | None]] = {}
    if kept:
        begins = date.fromisoformat(kept["first_day"]).toordinal()
        pairs = zip(kept["rain_mm"], kept["wind_kmh"], strict=True)
        beside = dict(enumerate(pairs, start=begins))
    return {
        date.fromordinal(day): DayWeather(
            None if high is None else high / 10, *beside.get(day, _UNKNOWN)
        )
        for day, high in enumerate(forecast.tenths, start=first)
    }


_UNKNOWN = (None, None)


def made_of(configuration: Configuration, used: Mapping[str, StoredSeries]) -> list[Any]:
    """What corrected scenarios must have been made from, and how, to stand for these sources."""
    chance = configuration.chance
    return [
        sorted([source, one.fetched_at.isoformat()] for source, one in used.items()),
        [
            chance.climate,
            chance.regress,
            chance.spread,
            chance.recent,
            chance.extended,
        ],
    ]


def _scenarios(
    configuration: Configuration,
    used: Mapping[str, StoredSeries],
    corrected: StoredSeries | None,
    joined: Join,
) -> Scenarios | None:
    """The corrected scenarios of these sources where they are stored, else the raw ones."""
    wanted = configuration.chance.calibrate and configuration.weather.provider != "sample"
    if (
        wanted
        and corrected is not None
        and corrected.detail.get("made_of") == made_of(configuration, used)
    ):
        return Scenarios(
            first_day=corrected.first_day,
            days=corrected.days,
            count=corrected.scenarios,
            tenths=tenths_of(corrected),
            sources=tuple(corrected.detail["sources"]),
            ensemble_days=corrected.detail["ensemble_days"],
            how=corrected.detail["how"],
        )
    raw = joined(members_of(used.get("ensemble")), members_of(used.get("extended")))
    if raw is None or not wanted:
        return raw
    return replace(raw, how=UNCORRECTED)


def place(yard: Yard, settings: WeatherSettings) -> list[Any]:
    """What a stored series must have been fetched for to be this yard's weather today."""
    if settings.provider == "sample":
        return ["sample", settings.sample_season]
    return [
        settings.provider,
        settings.ensemble_model,
        yard.latitude,
        yard.longitude,
        yard.elevation_m,
        yard.timezone,
    ]


class Moment(NamedTuple):
    """An instant as a yard's decisions have it: its own day, and the first day to start on."""

    today: date
    first_start: date

    @property
    def over(self) -> bool:
        """Whether nothing is begun today any more."""
        return self.first_start > self.today


def moment(configuration: Configuration, yard: Yard, now: datetime) -> Moment:
    """As `now` is at a yard: from `day_ends` on its day is over, or from when the last crew of that
    day is back, if that is later."""
    local = now.astimezone(ZoneInfo(yard.timezone))
    # The invented weather is a demonstration: there it is always morning.
    over = local.time() >= configuration.decision.day_ends
    over = over and configuration.weather.provider != "sample"
    over = over and not _at_work(configuration, yard, local)
    return Moment(local.date(), local.date() + timedelta(days=1 if over else 0))


def _at_work(configuration: Configuration, yard: Yard, local: datetime) -> bool:
    """Whether a crew that is described can still begin something at a yard on its day."""
    crews, holidays = config_taken.crews_of(configuration)
    if not crews:
        return False
    from windowcast.crew.hours import last_back

    back = last_back(
        crews,
        holidays=holidays,
        actives={one.active for one in find_treatments(configuration, yard)},
        place=Point(yard.latitude, yard.longitude),
        day=local.date(),
        zone=ZoneInfo(yard.timezone),
    )
    return 60 * local.hour + local.minute < back


def days_of(configuration: Configuration, yard: Yard, weather: YardWeather) -> Days:
    """What is known of a yard's days besides the bands, as the crews' plan holds it."""
    crews, holidays = config_taken.crews_of(configuration)
    return Days(
        fixed=config_taken.fixed_of(configuration, yard.name),
        open_days=weather.open_days if weather.fresh else {},
        scenarios=weather.scenarios if weather.fresh else None,
        rules=configuration.work,
        crews=crews,
        holidays=holidays,
    )


def answer_yard(
    configuration: Configuration,
    yard: Yard,
    weather: YardWeather,
    *,
    now: datetime,
    treatments: Sequence[Treatment],
    measured: Sequence[Sequence[Start]] | None = None,
) -> YardAnswer:
    """Scan and decide each treatment, as of `now` in the yard's own day.

    measured:  for each treatment what the scan gives of it, where that is known already
    """
    today, first_start = moment(configuration, yard, now)
    settings = configuration.decision
    stale = bool(weather.sources) and not weather.fresh
    if measured is None:
        words = None if weather.scenarios is None else Words(weather.scenarios)
        measured = [
            scan(
                treatment,
                forecast=weather.forecast,
                words=words,
                today=today,
                first_start=first_start,
            )
            for treatment in treatments
        ]
    answers = tuple(
        decide(
            yard,
            treatment,
            starts,
            rules=Rules(min_chance=settings.min_chance, max_danger=settings.max_danger),
            today=today,
            stale=stale,
        )
        for treatment, starts in zip(treatments, measured, strict=True)
    )
    return YardAnswer(
        yard=yard,
        today=today,
        forecast=_state(weather, now, stale, today),
        treatments=answers,
    )


def weather_document(weather: YardWeather) -> dict[str, Any]:
    """The daily highs behind an answer, °C, as plain values: null where missing."""
    found: dict[str, Any] = {"forecast": None, "scenarios": None}
    if weather.forecast is not None:
        found["forecast"] = {
            "first_day": weather.forecast.first_day.isoformat(),
            "high_c": [None if one is None else one / 10 for one in weather.forecast.tenths],
        }
    if weather.scenarios is not None:
        scenarios = weather.scenarios
        found["scenarios"] = {
            "first_day": scenarios.first_day.isoformat(),
            "high_c": [
                [None if one == MISSING else one / 10 for one in scenarios.row(day)]
                for day in range(scenarios.days)
            ],
        }
    return found


def _state(weather: YardWeather, now: datetime, stale: bool, today: date) -> ForecastState:
    firsts, lasts = [], []
    if weather.forecast is not None and weather.forecast.tenths:
        firsts.append(weather.forecast.first_day)
        lasts.append(weather.forecast.first_day + timedelta(days=len(weather.forecast.tenths) - 1))
    if weather.scenarios is not None:
        firsts.append(weather.scenarios.first_day)
        lasts.append(weather.scenarios.last_day)
    age_hours = None
    if weather.fetched_at is not None:
        age_hours = max((now - weather.fetched_at).total_seconds() / 3600, 0.0)
    return ForecastState(
        source=weather.provider if weather.sources else None,
        fetched_at=weather.fetched_at,
        run_at=weather.run_at,
        age_hours=age_hours,
        stale=stale,
        first_day=max(min(firsts), today) if firsts and max(lasts) >= today else None,
        last_day=max(lasts) if firsts and max(lasts) >= today else None,
        scenarios=0 if weather.scenarios is None else weather.scenarios.count,
        scenario_sources=() if weather.scenarios is None else weather.scenarios.sources,
        scenarios_last_day=None if weather.scenarios is None else weather.scenarios.last_day,
        sources=weather.sources,
        missing=weather.missing,
        attribution=_attribution(weather),
        how="" if weather.scenarios is None else weather.scenarios.how,
    )


def _attribution(weather: YardWeather) -> str:
    """What the terms of all that was used ask to be shown."""
    found = [ATTRIBUTIONS[weather.provider]] if set(weather.sources) - {"second"} else []
    used = [*weather.second, *([weather.stands_in] if weather.stands_in else [])]
    found += [SECOND[name][1] for name in dict.fromkeys(used)]
    return "; ".join(found)


def _switched_on(settings: WeatherSettings, source: str) -> bool:
    if settings.provider == "sample":
        return True
    urls = {
        "forecast": settings.forecast_url,
        "ensemble": settings.ensemble_url,
        "extended": settings.seasonal_url,
    }
    return bool(urls[source])


def tenths_of(series: StoredSeries) -> array[int]:
    """Stored highs as whole tenths, day-major."""
    tenths = array("h")
    tenths.frombytes(series.tenths)
    if sys.byteorder == "big":
        tenths.byteswap()
    return tenths


def daily_highs(series: StoredSeries) -> DailyHighs:
    """A stored single forecast."""
    return DailyHighs(
        first_day=series.first_day,
        tenths=tuple(None if one == MISSING else one for one in tenths_of(series)),
    )


def members_of(series: StoredSeries | None) -> Members | None:
    """A stored ensemble; None where there is none."""
    if series is None or series.days < 1:
        return None
    return Members(
        first_day=series.first_day,
        days=series.days,
        count=series.scenarios,
        tenths=tenths_of(series),
        dropped=series.dropped,
    )


def _unknown(kind: str, given: str, known: Sequence[str]) -> str:
    import difflib

    near = difflib.get_close_matches(given.casefold(), [one.casefold() for one in known], n=1)
    text = f"there is no {kind} {given if len(given) <= 80 else f'{given[:79]}…'!r}"
    for one in known:
        if near and one.casefold() == near[0]:
            return f"{text}; did you mean {one!r}?"
    more = f" and {len(known) - _NAMED} more" if len(known) > _NAMED else ""
    return f"{text}; there are: {', '.join(known[:_NAMED])}{more}"
