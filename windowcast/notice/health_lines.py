"""How the service does, for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.plain import labelled, wrapped


def status_lines(found: Mapping[str, Any]) -> list[str]:
    """The document of `windowcast status --json` as text, what needs a look first."""
    lines = []
    if found["troubles"]:
        lines += [tr("Needs a look:")]
        lines += [line for one in found["troubles"] for line in wrapped(f"- {one}").splitlines()]
    elif (stopped := _stopped(found)) is not None:
        lines += wrapped(
            tr(
                "Nothing is wrong that is known, but no service runs since {instant}, and no"
                " morning has come since.",
                instant=_instant(stopped),
            )
        ).splitlines()
    else:
        lines += wrapped(well_words(found)).splitlines()
    lines += ["", *labelled(tr("Service"), _service(found["service"]))]
    octets = found["store"]["octets"]
    lines += labelled(
        tr("Database"),
        tr(
            "{size} MB, tables of version {version}",
            size=words.decimal(octets / 1e6, 1),
            version=found["store"]["version"],
        ),
    )
    lines += labelled(
        tr("Requests"),
        tr(
            "weight {weight} used today (a day in UTC)",
            weight=f"{found['request_weight_today']:.0f}",
        ),
    )
    for heading, of_yards in _alike(found["yards"]):
        lines += ["", *heading, *of_yards]
    lines += ["", tr("Outbox") if found["outbox"] else tr("Nothing waits to be delivered.")]
    for one in found["outbox"]:
        lines += labelled(tr("To"), f"{one['recipient']}: {one['subject']}")
        tried = tries(one["tries"])
        if one["held_until"]:
            until = _instant(one["held_until"])
            text = tr("held until {instant}, when the quiet hours end", instant=until)
        elif one["last_error"]:
            text = tr(
                "{tries}, next {instant}: {error}",
                tries=tried,
                instant=_instant(one["next_try_at"]),
                error=one["last_error"],
            )
        else:
            text = tr("{tries}, since {instant}", tries=tried, instant=_instant(one["created_at"]))
        lines += labelled("", text)
    return lines


def _alike(yards: Sequence[Mapping[str, Any]]) -> list[tuple[list[str], list[str]]]:
    """The headings and the lines of each yard; of many, those alike in all are told of together."""
    if len(yards) <= words.MANY_YARDS:
        return [([one["yard"]], _of_yard(one)) for one in yards]
    groups: dict[tuple[str, ...], list[str]] = {}
    for one in yards:
        groups.setdefault(tuple(_of_yard(one)), []).append(one["yard"])
    return [
        (wrapped(words.first_yards(names)).splitlines(), list(text))
        for text, names in groups.items()
    ]


def _of_yard(one: Mapping[str, Any]) -> list[str]:
    local = datetime.fromisoformat(one["next_due"])
    age = one["forecast_age_hours"]
    forecast = (
        tr("none is stored")
        if age is None
        else tr("{hours} h old, which is too old", hours=words.decimal(age, 1))
        if one["forecast_stale"]
        else tr("{hours} h old", hours=words.decimal(age, 1))
    )
    return [
        *labelled(tr("Last morning"), _last(one)),
        *labelled(
            tr("Next"),
            tr(
                "{day}, {time} ({timezone})",
                day=words.day(local.date()),
                time=words.clock(local.time()),
                timezone=one["timezone"],
            ),
        ),
        *labelled(tr("Forecast"), forecast),
    ]


def well_words(found: Mapping[str, Any]) -> str:
    """What is said where nothing needs a look. In the evening the forecasts of a morning may be old
    by rule; it is said, so that nobody takes them for today's."""
    if not found["yards"] or not all(one["forecast_stale"] for one in found["yards"]):
        return tr("All is well.")
    return tr(
        "Nothing is wrong that is known, but every forecast is older than `max_age_hours` allows"
        " ({hours} h): by these no start is named. The next morning, or windowcast yard NAME,"
        " fetches anew.",
        hours=words.general(found["max_age_hours"]),
    )


def tries(count: int) -> str:
    """ "1 try", "3 tries"."""
    return trn("{count} try", "{count} tries", count)


def _service(one: Mapping[str, Any]) -> str:
    if one["started_at"] is None:
        return tr("has never run on this database")
    since, ticked = _instant(one["started_at"]), _instant(one["last_tick_at"])
    if one["running"]:
        return tr(
            "running since {since} (process {process}), last tick {tick}",
            since=since,
            process=one["process"],
            tick=ticked,
        )
    if one["running"] is None:
        return tr("not known whether it runs; last tick {tick}", tick=ticked)
    if one["stopped_at"] is not None:
        return tr("not running: stopped {instant}", instant=_instant(one["stopped_at"]))
    return tr("not running: it died after {tick}", tick=ticked)


def _last(one: Mapping[str, Any]) -> str:
    if one["last_morning"] is None:
        return tr("none yet")
    day = words.day(date.fromisoformat(one["last_morning"]))
    missing = one["not_delivered"]
    if not missing and one["last_delivered"] is not None:
        return tr("{day}, told {instant}", day=day, instant=_instant(one["last_delivered"]))
    return trn(
        "{day}, written {instant}, not delivered to {missing} of {count} recipient",
        "{day}, written {instant}, not delivered to {missing} of {count} recipients",
        one["recipients"],
        day=day,
        instant=_instant(one["last_run"]),
        missing=missing,
    )


def _stopped(found: Mapping[str, Any]) -> str | None:
    """When the service was stopped, where no morning has come since then by other means."""
    one = found["service"]
    if one["running"] is not False or one["stopped_at"] is None:
        return None
    stopped: str = one["stopped_at"]
    runs = [yard["last_run"] for yard in found["yards"] if yard["last_run"] is not None]
    later = any(datetime.fromisoformat(run) > datetime.fromisoformat(stopped) for run in runs)
    return None if later else stopped


def _instant(text: str) -> str:
    instant = datetime.fromisoformat(text).astimezone(UTC)
    return tr("{day}, {time} UTC", day=words.day(instant.date()), time=words.clock(instant.time()))
