"""How the service does, for the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Any

from windowcast.notice import words
from windowcast.notice.plain import labelled, wrapped


def status_lines(found: Mapping[str, Any]) -> list[str]:
    """The document of `windowcast status --json` as text, what needs a look first."""
    lines = []
    if found["troubles"]:
        lines += ["Needs a look:"]
        lines += [line for one in found["troubles"] for line in wrapped(f"- {one}").splitlines()]
    else:
        lines += ["All is well."]
    lines += ["", *labelled("Service", _service(found["service"]))]
    octets = found["store"]["octets"]
    lines += labelled(
        "Database", f"{octets / 1e6:.1f} MB, tables of version {found['store']['version']}"
    )
    lines += labelled(
        "Requests", f"weight {found['request_weight_today']:.0f} used today (a day in UTC)"
    )
    for one in found["yards"]:
        lines += ["", one["yard"]]
        lines += labelled("Last morning", _last(one))
        local = datetime.fromisoformat(one["next_due"])
        lines += labelled("Next", f"{words.day(local.date())}, {local:%H:%M} ({one['timezone']})")
        age = one["forecast_age_hours"]
        lines += labelled("Forecast", "none is stored" if age is None else f"{age:.1f} h old")
    lines += ["", "Outbox" if found["outbox"] else "Nothing waits to be delivered."]
    for one in found["outbox"]:
        lines += labelled("To", f"{one['recipient']}: {one['subject']}")
        tried = tries(one["tries"])
        if one["last_error"]:
            again = _instant(one["next_try_at"])
            lines += labelled("", f"{tried}, next {again}: {one['last_error']}")
        else:
            lines += labelled("", f"{tried}, since {_instant(one['created_at'])}")
    return lines


def tries(count: int) -> str:
    """ "1 try", "3 tries"."""
    return f"{count} {'try' if count == 1 else 'tries'}"


def _service(one: Mapping[str, Any]) -> str:
    if one["started_at"] is None:
        return "has never run on this database"
    since, ticked = _instant(one["started_at"]), _instant(one["last_tick_at"])
    if one["running"]:
        return f"running since {since} (process {one['process']}), last tick {ticked}"
    if one["running"] is None:
        return f"not known whether it runs; last tick {ticked}"
    if one["stopped_at"] is not None:
        return f"not running: stopped {_instant(one['stopped_at'])}"
    return f"not running: it died after {ticked}"


def _last(one: Mapping[str, Any]) -> str:
    if one["last_morning"] is None:
        return "none yet"
    day = date.fromisoformat(one["last_morning"])
    return f"{words.day(day)}, told {_instant(one['last_run'])}"


def _instant(text: str) -> str:
    instant = datetime.fromisoformat(text).astimezone(UTC)
    return f"{words.day(instant.date())}, {instant:%H:%M} UTC"
