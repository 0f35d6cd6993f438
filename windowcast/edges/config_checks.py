"""What must hold between several keys of the configuration, where each alone is sound.

Each check gets a table twice: `given`, as the file has it, tells what is there at all; `sound`
holds the converted values of the keys that are right by themselves (None for an element of a list
that is not), so that one mistake hides no other and causes none.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import time
from fractions import Fraction
from itertools import pairwise
from pathlib import Path as File
from typing import Any

from windowcast.edges.config_schema import DOSE, TREATMENTS, YARDS, Fault, Path, none_described
from windowcast.edges.config_secrets import from_environment, from_file
from windowcast.edges.config_values import (
    Recipient,
    Wrong,
    bare,
    is_loopback,
    nearest,
    shown,
    sound_heartbeat_url,
)
from windowcast.edges.settings import DecisionSettings, MorningSettings
from windowcast.edges.store_address import names_server
from windowcast.trade.treatment import Band

Table = Mapping[str, Any]

SOURCES = ("forecast_url", "ensemble_url", "seasonal_url")
FEWEST_OF_A_TOKEN = 20
"""Characters: of letters and figures by chance, more than anybody can try."""
AMOUNTS = tuple(name for name in DOSE if name != "day")


def windowcast(
    sound: dict[str, Any],
    folder: File,
    environ: Mapping[str, str],
    *,
    document: Table,
    every_yard_told: bool,
    yard_names: Mapping[str, str],
    secrets: Collection[str],
) -> Iterator[Fault]:
    """Faults of windowcast.toml. The secrets that it names are read and put beside the names, as
    [weather] api_key, [store] password, [mail] password, [health] heartbeat_url and [web] token.

    document:         the file as it was given
    every_yard_told:  each yard names recipients of its own
    yard_names:       by name in small letters; empty: not known
    secrets:          the tables whose secrets are needed now; those of others are not looked for
    """
    weather = sound.get("weather", {})
    if weather.get("api_key_env"):
        needed = environ if "weather" in secrets else None
        try:
            weather["api_key"] = from_environment(weather["api_key_env"], needed)
        except Wrong as wrong:
            yield Fault(("weather", "api_key_env"), f"api_key_env {wrong}")
    if weather.get("provider", "open-meteo") == "open-meteo" and all(
        weather.get(source, "on") == "" for source in SOURCES
    ):
        yield Fault(
            ("weather",),
            f"{', '.join(SOURCES)} are all switched off; give at least one an address, or set "
            'provider = "sample"',
        )

    decision = sound.get("decision", {})
    min_chance = decision.get("min_chance", DecisionSettings().min_chance)
    cancel_below = decision.get("cancel_below", DecisionSettings().cancel_below)
    if cancel_below > min_chance:
        given = "cancel_below" in decision
        yield Fault(
            ("decision", "cancel_below" if given else "min_chance"),
            f"cancel_below is {cancel_below:g}{'' if given else ' where it is left out'}, but may "
            f"be at most min_chance, {min_chance:g}: else a start would be named and withdrawn at "
            "once",
        )

    thresholds = sound.get("season", {}).get("threshold_percent")
    if thresholds is not None and len(thresholds) != 12:
        yield Fault(
            ("season", "threshold_percent"),
            f"threshold_percent has {len(thresholds)} values, but must have 12, one a month from "
            "January on",
        )
    work = sound.get("work", {})
    if "open_min_c" in work and "open_min_f" in work:
        yield Fault(
            ("work", "open_min_f"), "open_min_c and open_min_f are both given; keep one of them"
        )

    if decision.get("day_ends") == time(0, 0):
        yield Fault(
            ("decision", "day_ends"),
            'day_ends is "00:00", so today would never be offered as a start; write "23:59" to '
            "offer it all day",
        )

    morning = sound.get("morning", {})
    at: time = morning.get("at", MorningSettings().at)
    late_until: time = morning.get("late_until", MorningSettings().late_until)
    if late_until <= at:
        key = "late_until" if "late_until" in morning else "at"
        yield Fault(
            ("morning", key),
            f'late_until is "{late_until:%H:%M}", but must be later on the day than at, '
            f'"{at:%H:%M}"',
        )

    if "mail" in sound:
        yield from _mail(
            sound["mail"],
            folder,
            environ if "mail" in secrets else None,
            every_yard_told=every_yard_told,
            yard_names=yard_names,
        )
    if "store" in sound:
        needed = environ if "store" in secrets else None
        yield from _store(document["store"], sound["store"], folder, needed)
    if "push" in sound:
        yield from _push(sound["push"], folder, environ if "push" in secrets else None)
    if "health" in sound:
        yield from _health(sound["health"], environ if "health" in secrets else None)
    if "web" in sound:
        yield from _web(sound["web"], folder, environ if "web" in secrets else None)


def _store(
    given: Table, store: dict[str, Any], folder: File, environ: Mapping[str, str] | None
) -> Iterator[Fault]:
    """The password of a PostgreSQL server, from the environment or a file."""
    kept_in = [key for key in ("password_env", "password_file") if store.get(key)]
    if len(kept_in) == 2:
        yield Fault(
            ("store", "password_file"), "password_env and password_file are both given; keep one"
        )
    elif kept_in and not names_server(str(given.get("url", ""))):
        yield Fault(
            ("store", kept_in[0]),
            f"{kept_in[0]} belongs to a PostgreSQL server, and url names none; a file needs no"
            " password: leave it out, or change url",
        )
    elif kept_in:
        try:
            store["password"] = (
                from_environment(store["password_env"], environ)
                if kept_in == ["password_env"]
                else from_file(store["password_file"], folder, environ)
            )
        except Wrong as wrong:
            yield Fault(("store", kept_in[0]), f"{kept_in[0]} {wrong}")


def _push(push: dict[str, Any], folder: File, environ: Mapping[str, str] | None) -> Iterator[Fault]:
    """The channels' addresses are secrets: from the environment or a file, parted by blanks."""
    kept_in = [key for key in ("urls_env", "urls_file") if push.get(key)]
    if len(kept_in) != 1:
        yield Fault(
            ("push",),
            "urls_env and urls_file are both given; keep one"
            if kept_in
            else "no addresses; name the environment variable that holds them in urls_env, or the"
            " file in urls_file, parted by blanks",
        )
        return
    try:
        text = (
            from_environment(push["urls_env"], environ)
            if kept_in == ["urls_env"]
            else from_file(push["urls_file"], folder, environ)
        )
    except Wrong as wrong:
        yield Fault(("push", kept_in[0]), f"{kept_in[0]} {wrong}")
        return
    push["urls"] = text.split()


def _health(health: dict[str, Any], environ: Mapping[str, str] | None) -> Iterator[Fault]:
    listen = health.get("listen")
    if listen and not is_loopback(listen[0]) and not health.get("anywhere"):
        yield Fault(
            ("health", "listen"),
            f"listen names {listen[0]}, where other machines can ask; the answers name your yards "
            "and there is no password: write 127.0.0.1, or add anywhere = true and guard the port",
        )
    variable = health.get("heartbeat_url_env")
    if variable:
        try:
            url = from_environment(variable, environ)
            if environ is not None and not sound_heartbeat_url(url):
                raise Wrong(
                    f"names the environment variable {variable}, which does not hold an https:// "
                    "address (http:// is for this machine only)"
                )
            health["heartbeat_url"] = url
        except Wrong as wrong:
            yield Fault(("health", "heartbeat_url_env"), f"heartbeat_url_env {wrong}")


def _web(web: dict[str, Any], folder: File, environ: Mapping[str, str] | None) -> Iterator[Fault]:
    """Who reaches the page from another machine must show a token."""
    from urllib.parse import urlsplit

    kept_in = [key for key in ("token_env", "token_file") if web.get(key)]
    if len(kept_in) == 2:
        yield Fault(("web", "token_file"), "token_env and token_file are both given; keep one")
        return
    if kept_in:
        try:
            token = (
                from_environment(web["token_env"], environ)
                if kept_in == ["token_env"]
                else from_file(web["token_file"], folder, environ)
            )
            if environ is not None and len(token) < FEWEST_OF_A_TOKEN:
                raise Wrong(
                    f"names a token of {len(token)} characters, but it must have at least"
                    f" {FEWEST_OF_A_TOKEN}, so that nobody can guess it; make one with:"
                    " openssl rand -base64 24"
                )
            web["token"] = token
        except Wrong as wrong:
            yield Fault(("web", kept_in[0]), f"{kept_in[0]} {wrong}")
        return
    remedy = (
        "name the variable that holds it with token_env, or the file with token_file, or keep the"
        " page to this machine"
    )
    listen = web.get("listen")
    if listen and not is_loopback(listen[0]):
        yield Fault(
            ("web", "listen"),
            f"listen names {listen[0]}, where other machines can look, but there is no token:"
            f" {remedy}: 127.0.0.1",
        )
    host = urlsplit(web.get("public_url", "")).hostname
    if host and not is_loopback(host):
        yield Fault(
            ("web", "public_url"),
            f"public_url names {host}, where other machines can look, but there is no token:"
            f" {remedy}: leave public_url out",
        )


def _mail(
    mail: dict[str, Any],
    folder: File,
    environ: Mapping[str, str] | None,
    *,
    every_yard_told: bool,
    yard_names: Mapping[str, str],
) -> Iterator[Fault]:
    if mail.get("security") == "none" and "host" in mail and not is_loopback(mail["host"]):
        yield Fault(
            ("mail", "security"),
            f'security is "none", but {shown(mail["host"])} is another machine: mail and password '
            'would cross the network in the clear; write "starttls" or "tls"',
        )
    if mail.get("recipients") == [] and not every_yard_told:
        yield Fault(
            ("mail", "recipients"),
            "recipients is empty; name at least one address, here or at every yard, or leave "
            "[mail] out to print the notice instead",
        )
    yield from _twice(("mail", "recipients"), _addresses(mail.get("recipients", ())))
    for index, one in enumerate(mail.get("recipients", ())):
        if isinstance(one, Recipient) and one.yards is not None and yard_names:
            for name in one.yards:
                if name.casefold() not in yard_names:
                    near = nearest(name.casefold(), list(yard_names))
                    hint = f"; did you mean {shown(yard_names[near])}?" if near else ""
                    yield Fault(
                        ("mail", "recipients", index),
                        f"recipients has a table with yards {shown(name)}, which yards.toml does"
                        f" not have{hint}",
                    )
    quiet = [key for key in ("quiet_from", "quiet_until") if key in mail]
    if len(quiet) == 1:
        yield Fault(
            ("mail", quiet[0]), "quiet_from and quiet_until go together; give both or neither"
        )
    elif quiet and mail["quiet_from"] == mail["quiet_until"]:
        yield Fault(
            ("mail", "quiet_until"),
            "quiet_from and quiet_until are the same hour, so nothing urgent would ever be sent;"
            " leave both out for no quiet hours",
        )

    if mail.get("pictures") and mail.get("html") is False:
        yield Fault(
            ("mail", "pictures"),
            "pictures is true, but html is false, and plain text can show none; leave one out",
        )
    kept_in = [key for key in ("password_env", "password_file") if mail.get(key)]
    if len(kept_in) == 2:
        yield Fault(
            ("mail", "password_file"), "password_env and password_file are both given; keep one"
        )
    elif kept_in and not mail.get("username"):
        yield Fault(
            ("mail", kept_in[0]),
            f"{kept_in[0]} is given without username; add username, or leave both out for a "
            "server that asks for none",
        )
    elif mail.get("username") and not kept_in:
        yield Fault(
            ("mail", "username"),
            "username is given without a password; name the environment variable that holds it in "
            "password_env, or the file in password_file",
        )
    elif kept_in:
        try:
            mail["password"] = (
                from_environment(mail["password_env"], environ)
                if kept_in == ["password_env"]
                else from_file(mail["password_file"], folder, environ)
            )
        except Wrong as wrong:
            yield Fault(("mail", kept_in[0]), f"{kept_in[0]} {wrong}")


def yards(
    given: Sequence[Any], sound: Sequence[Table], treatment_ids: Sequence[str] | None
) -> Iterator[Fault]:
    """Faults of yards.toml; `treatment_ids` None: not known, treatments.toml cannot be read."""
    if not given:
        yield Fault(("yard",), none_described("yard", YARDS["yard"]))
    named: set[str] = set()
    for index, yard in enumerate(sound):
        here: Path = ("yard", index)
        if "name" in yard:
            name = yard["name"].casefold()
            if name in named:
                yield Fault(
                    (*here, "name"),
                    f"name is {shown(yard['name'])}, which another yard above has already; give "
                    "each yard its own (capitals do not tell them apart)",
                )
            named.add(name)
        yield from _treatments_of_a_yard(here, yard, treatment_ids)
        yield from _twice((*here, "recipients"), _addresses(yard.get("recipients", ())))


def swapped(given: Any) -> bool:
    """Whether a yard's latitude cannot be one while its longitude could be."""
    if not isinstance(given, dict):
        return False
    latitude, longitude = given.get("latitude"), given.get("longitude")
    numbers = all(
        not isinstance(value, (bool, str, list, dict)) and value is not None
        for value in (latitude, longitude)
    )
    try:
        return numbers and 90 < abs(latitude) <= 180 and abs(longitude) <= 90  # type: ignore[arg-type]
    except (TypeError, ArithmeticError):
        return False


def _treatments_of_a_yard(here: Path, yard: Table, known: Sequence[str] | None) -> Iterator[Fault]:
    wanted = yard.get("treatments")
    if wanted is None:
        return
    if not wanted:
        yield Fault(
            (*here, "treatments"),
            "treatments is empty; name at least one, or leave the key out for all of them",
        )
    yield from _twice((*here, "treatments"), wanted)
    for index, treatment in enumerate(wanted):
        if known is not None and treatment is not None and treatment not in known:
            near = nearest(treatment, list(known))
            hint = f"did you mean {near}?" if near else f"it has: {', '.join(known)}"
            yield Fault(
                (*here, "treatments", index),
                f"treatments holds {shown(treatment)}, which treatments.toml does not have; {hint}",
            )


def _addresses(given: Sequence[str | Recipient | None]) -> list[str | None]:
    return [one.address if isinstance(one, Recipient) else one for one in given]


def _twice(here: Path, texts: Sequence[str | None]) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, text in enumerate(texts):
        if text is None:
            continue
        # Of an address the name beside it makes no second one.
        alone = bare(text).casefold()
        if alone in seen:
            yield Fault((*here, index), f"{here[-1]} holds {shown(bare(text))} twice; keep one")
        seen.add(alone)


def treatments(given: Sequence[Any], sound: Sequence[Table]) -> Iterator[Fault]:
    """Faults of treatments.toml."""
    if not given:
        yield Fault(("treatment",), none_described("treatment", TREATMENTS["treatment"]))
    yield from _same_id(("treatment",), sound, "treatment")
    for index, treatment in enumerate(sound):
        here: Path = ("treatment", index)
        raw = _table(given, index)
        yield from _both_units(here, raw, "danger")
        regimens = treatment.get("regimen", ())
        if raw.get("regimen") == []:
            yield Fault(
                (*here, "regimen"),
                "regimen is empty; describe at least one, begun by a line [[treatment.regimen]]",
            )
        yield from _same_id((*here, "regimen"), regimens, "regimen of this treatment")
        for number, regimen in enumerate(regimens):
            yield from _regimen(
                (*here, "regimen", number), _table(raw.get("regimen"), number), regimen
            )


def _table(given: Any, index: int) -> Table:
    """The element of an array of tables as the file has it, or nothing where it is no table."""
    element = given[index] if isinstance(given, list) and index < len(given) else None
    return element if isinstance(element, dict) else {}


def _same_id(here: Path, tables: Sequence[Table], what: str) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, table in enumerate(tables):
        if "id" in table:
            if table["id"].casefold() in seen:
                yield Fault(
                    (*here, index, "id"),
                    f"id is {shown(table['id'])}, which another {what} above has already; give "
                    "each its own",
                )
            seen.add(table["id"].casefold())


def _regimen(here: Path, given: Table, regimen: Table) -> Iterator[Fault]:
    yield from _both_units(here, given, "high_min", "high_max", "cool_only")
    yield from _doses(here, given, regimen)
    yield from _slack(here, regimen)
    band = band_of(regimen)
    yield from _can_fit(here, given, band)

    phases = regimen.get("phases", ())
    for index, phase in enumerate(phases):
        where = (*here, "phases", index)
        raw = _table(given.get("phases"), index)
        yield from _both_units(where, raw, "high_min", "high_max")
        if raw and not any(name.startswith("high_") for name in raw):
            yield Fault(
                where, "this phase sets no bound; give it high_min_c or high_max_c, or take it out"
            )
        if bounds_of(phase):
            yield from _can_fit(where, raw, band_of(phase, inherited=band))
        yield from _days_of_a_phase(where, phase, regimen.get("exposure_days"))
    whole = [
        (phase["first_day"], phase["last_day"], index)
        for index, phase in enumerate(phases)
        if "first_day" in phase and phase["first_day"] <= phase.get("last_day", -1)
    ]
    for (first, last, _), (next_first, next_last, index) in pairwise(sorted(whole)):
        if next_first <= last:
            yield Fault(
                (*here, "phases", index),
                f"days {next_first} to {next_last} overlap the phase of days {first} to {last}; "
                "both ends belong to a phase, and a day may belong to one only",
            )


def _days_of_a_phase(here: Path, phase: Table, exposure_days: int | None) -> Iterator[Fault]:
    first, last = phase.get("first_day"), phase.get("last_day")
    if first is not None and last is not None and first > last:
        yield Fault(
            (*here, "first_day"),
            f"first_day is {first}, after last_day {last}; a phase of one day has both the same",
        )
        return
    for name, day in (("first_day", first), ("last_day", last)):
        if day is not None and exposure_days is not None and day >= exposure_days:
            yield Fault(
                (*here, name),
                f"{name} is {day}, outside the exposure: {exposure_days} days are days 0 to "
                f"{exposure_days - 1}",
            )
            return


def _doses(here: Path, given: Table, regimen: Table) -> Iterator[Fault]:
    doses = regimen.get("doses")
    if doses is None:
        return
    if given.get("doses") == []:
        yield Fault(
            (*here, "doses"), "doses is empty; give the first, such as { day = 0, strips = 1 }"
        )
        return
    exposure_days = regimen.get("exposure_days")
    seen: set[int] = set()
    for index, dose in enumerate(doses):
        where = (*here, "doses", index)
        raw = _table(given.get("doses"), index)
        amounts = [name for name in AMOUNTS if name in raw]
        if raw and not amounts:
            yield Fault(where, f"this dose has no amount; give one of {', '.join(AMOUNTS)}")
        elif len(amounts) > 1:
            yield Fault(where, f"this dose has {' and '.join(amounts)}; keep one")
        day = dose.get("day")
        if day is None:
            continue
        if day in seen:
            yield Fault((*where, "day"), f"day is {day}, which another dose has already; join them")
        seen.add(day)
        if exposure_days is not None and day >= exposure_days:
            yield Fault(
                (*where, "day"),
                f"day is {day}, outside the exposure: {exposure_days} days are days 0 to "
                f"{exposure_days - 1}",
            )
    if all("day" in dose for dose in doses) and 0 not in seen:
        yield Fault(
            (*here, "doses"),
            f"the first dose is on day {min(seen)}, but must be on day 0, the day of application",
        )


def _slack(here: Path, regimen: Table) -> Iterator[Fault]:
    """Faults of how far visits may be from their days: where there is no such visit, and where a
    dose could come before the one that it follows."""
    doses = regimen.get("doses")
    if doses is None or not all("day" in dose for dose in doses):
        return
    days = sorted(dose["day"] for dose in doses)
    early = regimen.get("dose_early_days")
    nearest_days = min((later - before for before, later in pairwise(days)), default=None)
    if nearest_days is None:
        for name in ("dose_early_days", "dose_late_days"):
            if name in regimen:
                yield Fault(
                    (*here, name),
                    f"{name} is {regimen[name]}, but this regimen has one dose, whose day is the "
                    "start; leave the key out",
                )
    elif early is not None and early >= nearest_days:
        yield Fault(
            (*here, "dose_early_days"),
            f"dose_early_days is {early}, but doses are only {nearest_days} days apart; it must be "
            f"0 to {nearest_days - 1}",
        )
    if "removal_late_days" in regimen and not any(
        name in dose for dose in doses for name in ("strips", "strips_per_chamber", "g")
    ):
        yield Fault(
            (*here, "removal_late_days"),
            f"removal_late_days is {regimen['removal_late_days']}, but nothing of this regimen is "
            "left in the hive (strips, strips_per_chamber or g); leave the key out",
        )


def _both_units(here: Path, given: Table, *names: str) -> Iterator[Fault]:
    for name in names:
        celsius, fahrenheit = f"{name}_c", f"{name}_f"
        if celsius in given and fahrenheit in given:
            second = max((celsius, fahrenheit), key=list(given).index)
            yield Fault(
                (*here, second), f"{celsius} and {fahrenheit} are both given; keep one of them"
            )


def _can_fit(here: Path, given: Table, band: Band) -> Iterator[Fault]:
    """A fault where no high, which is always a whole number of tenths of a °C, is in the band."""
    low, high = band.lowest_tenths, band.highest_tenths
    if low is None or high is None or low <= high:
        return
    low_key = next((name for name in ("high_min_c", "high_min_f") if name in given), None)
    high_key = next((name for name in ("high_max_c", "high_max_f") if name in given), None)
    low_text = shown(given[low_key]) if low_key else f"{float(band.low_c or 0):g} °C (inherited)"
    high_text = (
        shown(given[high_key]) if high_key else f"{float(band.high_c or 0):g} °C (inherited)"
    )
    yield Fault(
        (*here, low_key or high_key or ""),
        f"{low_key or 'high_min'} {low_text} is above {high_key or 'high_max'} {high_text}, so no "
        "day could fit; were the two exchanged?",
    )


def bounds_of(table: Table) -> dict[str, Fraction]:
    """The bounds that a regimen or a phase sets itself, °C, by the field of `Band`."""
    fields = (("low_c", "high_min"), ("high_c", "high_max"))
    return {
        field: table[name + unit]
        for field, name in fields
        for unit in ("_c", "_f")
        if name + unit in table
    }


def band_of(table: Table, *, inherited: Band | None = None) -> Band:
    """The band of a regimen, or of a phase with what it leaves out inherited."""

    return (inherited or Band())._replace(**bounds_of(table))
