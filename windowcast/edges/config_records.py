"""The sound values of the three files → the records that the rest of windowcast knows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeVar
from urllib.parse import urlsplit

from windowcast.edges.config_checks import band_of
from windowcast.edges.config_language import ENGLISH
from windowcast.edges.config_values import Recipient, bare
from windowcast.edges.settings import (
    ChanceSettings,
    Configuration,
    DecisionSettings,
    HealthSettings,
    MailSettings,
    MorningSettings,
    WeatherSettings,
    WebSettings,
)
from windowcast.language import Lookup
from windowcast.trade.rules import SeasonRules, WorkRules
from windowcast.trade.treatment import (
    DOSE_SLACK,
    REMOVAL_LATE_DAYS,
    Dose,
    Phase,
    Regimen,
    Slack,
    Treatment,
)
from windowcast.trade.yard import Hive, Yard

T = TypeVar("T")

STORE_URL = "sqlite:///windowcast.db"
PUBLIC_DOMAIN = ".open-meteo.com"
PAST_URLS = ("archive_url", "previous_runs_url", "single_runs_url")
PORTS = {"starttls": 587, "tls": 465, "none": 25}


class Places(NamedTuple):
    """What yards.toml comes to.

    wishes:  recipients there who are given as a table: the yard's place in the file, theirs among
             its recipients, and they
    """

    yards: tuple[Yard, ...]
    wishes: tuple[tuple[int, int, Recipient], ...]


def places_of(yards: Sequence[Mapping[str, Any]], treatments: Sequence[str]) -> Places:
    """From the sound tables of the yards; `treatments`: the ids of all, in file order."""
    # What many yards have alike they have in common: there may be tens of thousands.
    alike: dict[Any, Any] = {}
    return Places(
        yards=tuple(_yard(table, tuple(treatments), alike) for table in yards),
        wishes=wishes_of(yards),
    )


def wishes_of(
    yards: Sequence[Mapping[str, Any]],
) -> tuple[tuple[int, int, Recipient], ...]:
    """Those of `Places`, as far as the tables are sound."""
    return tuple(
        (index, which, one)
        for index, yard in enumerate(yards)
        for which, one in enumerate(yard.get("recipients", ()))
        if isinstance(one, Recipient)
    )


def configuration(
    folder: Path,
    service: dict[str, Any],
    places: Places,
    bands: dict[str, Any],
    lookups: Mapping[str, Lookup],
) -> Configuration:
    weather = dict(service.get("weather", {}))
    weather.pop("api_key_env", None)
    if not _asks_public_service(weather):
        # Who has moved every forecast to a server of their own does not expect calls elsewhere:
        # an address for the past that is left out is then none.
        for key in (*PAST_URLS, "metno_url", "nws_url"):
            weather.setdefault(key, "")
    return Configuration(
        folder=folder,
        units=service.get("units", "C"),
        language=service.get("language", ENGLISH),
        lookups=lookups,
        weather=WeatherSettings(**weather),
        decision=DecisionSettings(**service.get("decision", {})),
        chance=ChanceSettings(**service.get("chance", {})),
        season=_season(service.get("season", {})),
        work=_work(service.get("work", {})),
        morning=MorningSettings(**service.get("morning", {})),
        store_url=service.get("store", {}).get("url", STORE_URL),
        store_password=service.get("store", {}).get("password", ""),
        mail=_mail(service["mail"], places.wishes) if "mail" in service else None,
        push=tuple(service.get("push", {}).get("urls", ())),
        yards=places.yards,
        treatments=tuple(_treatment(table) for table in bands["treatment"]),
        health=HealthSettings(
            listen=service.get("health", {}).get("listen") or None,
            heartbeat_url=service.get("health", {}).get("heartbeat_url", ""),
        ),
        web=_web(service.get("web", {})),
    )


def _asks_public_service(weather: Mapping[str, Any]) -> bool:
    """Whether any forecast comes from the default servers' domain."""
    shipped = WeatherSettings()
    urls = (
        weather.get("forecast_url", shipped.forecast_url),
        weather.get("ensemble_url", shipped.ensemble_url),
        weather.get("seasonal_url", shipped.seasonal_url),
    )
    return any((urlsplit(url).hostname or "").endswith(PUBLIC_DOMAIN) for url in urls)


def _web(table: Mapping[str, Any]) -> WebSettings:
    return WebSettings(
        listen=table.get("listen", WebSettings().listen),
        token=table.get("token", ""),
        public_url=table.get("public_url", ""),
    )


def _season(table: Mapping[str, Any]) -> SeasonRules:
    found = dict(table)
    if "threshold_percent" in found:
        found["threshold_percent"] = tuple(found["threshold_percent"])
    return SeasonRules(**found)


def _work(table: Mapping[str, Any]) -> WorkRules:
    found = dict(table)
    if "open_min_f" in found:
        found["open_min_c"] = found.pop("open_min_f")
    return WorkRules(**found)


def _mail(table: Mapping[str, Any], of_yards: Iterable[tuple[int, int, Recipient]]) -> MailSettings:
    security = table.get("security", "starttls")
    wishes = [one for one in table["recipients"] if isinstance(one, Recipient)]
    wishes += [one for _, _, one in of_yards]
    return MailSettings(
        host=table["host"],
        port=table.get("port", PORTS[security]),
        security=security,
        sender=table["sender"],
        recipients=_addresses(table["recipients"]),
        username=table.get("username", ""),
        password=table.get("password", ""),
        only_news=frozenset(_bare(one.address) for one in wishes if one.when == "news"),
        only_yards={
            _bare(one.address): frozenset(name.casefold() for name in one.yards)
            for one in wishes
            if one.yards is not None
        },
        languages={_bare(one.address): one.language for one in wishes if one.language},
        quiet_from=table.get("quiet_from"),
        quiet_until=table.get("quiet_until"),
        html=table.get("html", True),
        pictures=table.get("html", True) and table.get("pictures", True),
    )


def _addresses(given: Iterable[str | Recipient]) -> tuple[str, ...]:
    return tuple(one.address if isinstance(one, Recipient) else one for one in given)


def _bare(address: str) -> str:
    """An address without the name beside it, in small letters."""
    return bare(address).casefold()


def _yard(table: Mapping[str, Any], all_treatments: tuple[str, ...], alike: dict[Any, Any]) -> Yard:
    def one(value: T) -> T:
        found: T = alike.setdefault(value, value)
        return found

    hive = ("brood_chambers", "supers", "floor", "queen_excluder", "brood")
    return Yard(
        name=table["name"],
        latitude=table["latitude"],
        longitude=table["longitude"],
        elevation_m=table.get("elevation_m"),
        timezone=one(table["timezone"]),
        colonies=table["colonies"],
        hive=one(Hive(**{key: table[key] for key in hive if key in table})),
        treatments=one(tuple(table.get("treatments", all_treatments))),
        recipients=one(_addresses(table.get("recipients", ()))),
    )


def _treatment(table: Mapping[str, Any]) -> Treatment:
    plain = (
        "id",
        "active",
        "form",
        "max_supers",
        "needs_broodless",
        "kills_under_cappings",
        "danger_days",
        "hive_shut",
        "honey_days",
        "supers_after_days",
        "acid_g_per_litre",
        "efficacy_percent",
        "efficacy_with_brood_percent",
        "strips_in_a_pack",
    )
    return Treatment(
        **{key: table[key] for key in plain if key in table},
        danger_c=table.get("danger_c", table.get("danger_f")),
        regimens=tuple(_regimen(regimen) for regimen in table["regimen"]),
    )


def _regimen(table: Mapping[str, Any]) -> Regimen:
    band = band_of(table)
    phases = [
        Phase(
            first_day=phase["first_day"],
            last_day=phase["last_day"],
            band=band_of(phase, inherited=band),
        )
        for phase in table.get("phases", ())
    ]
    return Regimen(
        id=table["id"],
        exposure_days=table["exposure_days"],
        doses=tuple(sorted((Dose(**dose) for dose in table["doses"]), key=lambda dose: dose.day)),
        band=band,
        phases=tuple(sorted(phases, key=lambda phase: phase.first_day)),
        cool_only_c=table.get("cool_only_c", table.get("cool_only_f")),
        dose_slack=Slack(
            earlier=table.get("dose_early_days", DOSE_SLACK.earlier),
            later=table.get("dose_late_days", DOSE_SLACK.later),
        ),
        removal_late_days=table.get("removal_late_days", REMOVAL_LATE_DAYS),
    )
