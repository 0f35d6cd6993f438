"""What a configuration folder says, as plain records. `edges.config` reads the files into these."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from pathlib import Path
from typing import Any, NamedTuple

from windowcast.language import Lookup, english
from windowcast.trade.rules import SeasonRules, WorkRules
from windowcast.trade.treatment import Treatment
from windowcast.trade.yard import Yard

NOTHING: dict[str, Any] = {}
"""Shared by all who have nothing to say of addresses or languages; never added to."""
SECRETS = ("api_key", "password", "push", "store_password", "heartbeat_url", "token")
"""Left out where a record is shown, such as in the trace of an error."""


def _without_secrets(record: Any) -> str:
    shown = (f"{name}={value!r}" for name, value in record._asdict().items() if name not in SECRETS)
    return f"{type(record).__name__}({', '.join(shown)})"


class WeatherSettings(NamedTuple):
    """Where the weather comes from.

    provider:          "open-meteo" or "sample"
    *_url:             one per source; "" switches that source off
    max_age_hours:     an older forecast is stale
    api_key:           the key itself, from the environment; "" for none
    calls_per_minute,  request weight allowed; None: the service's own free limits on its public
    calls_per_day:     hosts and none elsewhere; 0: no limit
    share_cells:       yards of one grid cell of a model share a request and a stored series
    once_a_run:        what the server says is had already is not fetched again
    sample_season:     which of the bundled invented seasons "sample" shows
    contact:           an address for the operators of the second services; "": they are not asked
    """

    provider: str = "open-meteo"
    forecast_url: str = "https://api.open-meteo.com/v1/forecast"
    ensemble_url: str = "https://ensemble-api.open-meteo.com/v1/ensemble"
    seasonal_url: str = "https://seasonal-api.open-meteo.com/v1/seasonal"
    archive_url: str = "https://archive-api.open-meteo.com/v1/archive"
    previous_runs_url: str = "https://previous-runs-api.open-meteo.com/v1/forecast"
    single_runs_url: str = "https://single-runs-api.open-meteo.com/v1/forecast"
    ensemble_model: str = "ecmwf_ifs025_ensemble"
    max_age_hours: float = 12.0
    api_key: str = ""
    calls_per_minute: float | None = None
    calls_per_day: float | None = None
    share_cells: bool = True
    once_a_run: bool = True
    sample_season: str = "late-summer"
    contact: str = ""
    metno_url: str = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
    nws_url: str = "https://api.weather.gov"

    def __repr__(self) -> str:
        return _without_secrets(self)


class DecisionSettings(NamedTuple):
    """When a start is named. Chances from 0 to 1; `day_ends` is a local time of day."""

    min_chance: float = 0.8
    max_danger: float = 0.05
    cancel_below: float = 0.65
    day_ends: time = time(18, 0)


class ChanceSettings(NamedTuple):
    """Which corrections the chance gets; `calibrate` False counts the raw scenarios.

    climate:   past years beyond the ensemble
    regress:   the expected course is moved by what past errors say
    spread:    the spread of the ensemble is corrected by days ahead
    recent:    the last observed days and yesterday's forecast count
    extended:  the extended range moves the days beyond the ensemble, by its skill
    """

    calibrate: bool = True
    climate: bool = True
    regress: bool = True
    spread: bool = True
    recent: bool = True
    extended: bool = True


class MorningSettings(NamedTuple):
    """When the morning job runs, and how late a missed one is still sent: local times of day.

    watch_hours:  how often the service looks at treatments that are in; 0: only in the morning
    portion:      yards that are done together, or by one task of a cluster, at least, where there
                  are more; what they are told of keeps recipients' yards together
    """

    at: time = time(6, 0)
    late_until: time = time(20, 0)
    watch_hours: float = 3.0
    portion: int = 500


class MailSettings(NamedTuple):
    """The mail server, and who is told.

    security:      "starttls", "tls" or "none" (loopback only)
    only_news:     addresses told only when something has changed, in small letters
    only_yards:    by address in small letters, the names of the only yards they are told of
    languages:     by address in small letters, the language of whoever wants another than the rest
    quiet_from,    local hours of the yard between which nothing urgent is sent either; None: none
    quiet_until:
    html:          the morning's notice also as HTML, with a calendar of the visits
    pictures:      with a picture of each yard in it
    """

    host: str
    port: int
    security: str
    sender: str
    recipients: tuple[str, ...]
    username: str = ""
    password: str = ""
    only_news: frozenset[str] = frozenset()
    only_yards: Mapping[str, frozenset[str]] = NOTHING
    languages: Mapping[str, str] = NOTHING
    quiet_from: time | None = None
    quiet_until: time | None = None
    html: bool = True
    pictures: bool = True

    def __repr__(self) -> str:
        return _without_secrets(self)


class HealthSettings(NamedTuple):
    """How others see that the service is well.

    listen:         address and port for /healthz and /metrics; None: nobody can ask
    heartbeat_url:  asked after each good run; "" for none
    """

    listen: tuple[str, int] | None = None
    heartbeat_url: str = ""

    def __repr__(self) -> str:
        return _without_secrets(self)


class WebSettings(NamedTuple):
    """Where `serve --web` shows the page, and who may look.

    listen:      address and port
    token:       what must be shown to read; "": nothing, which only this machine's own addresses
                 allow
    public_url:  how browsers reach it where that is not `listen`: scheme, host, port; "" for none
    """

    listen: tuple[str, int] = ("127.0.0.1", 8017)
    token: str = ""
    public_url: str = ""

    def __repr__(self) -> str:
        return _without_secrets(self)


class Configuration(NamedTuple):
    """A whole, checked configuration.

    folder:      the folder it was read from
    units:       "C" or "F": what people see
    language:    the name of what people read, such as "en"
    lookups:     the texts of every language that is named, by its name
    store_url:   as in the file; relative SQLite paths are relative to `folder`
    mail:        None: notices are printed
    push:        addresses of channels that urgent messages also go to; a secret
    treatments:  in file order, which is the order of preference
    """

    folder: Path
    units: str
    weather: WeatherSettings
    decision: DecisionSettings
    chance: ChanceSettings
    season: SeasonRules
    work: WorkRules
    morning: MorningSettings
    store_url: str
    mail: MailSettings | None
    yards: tuple[Yard, ...]
    treatments: tuple[Treatment, ...]
    push: tuple[str, ...] = ()
    store_password: str = ""
    health: HealthSettings = HealthSettings()
    web: WebSettings = WebSettings()
    language: str = "en"
    lookups: Mapping[str, Lookup] = NOTHING

    def __repr__(self) -> str:
        return _without_secrets(self)

    @property
    def lookup(self) -> Lookup:
        """The texts of `language`."""
        return self.lookups.get(self.language, english)
