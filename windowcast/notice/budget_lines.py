"""What a morning costs at the weather service, for the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.plain import labelled, wrapped

DAYS = 30


def budget_lines(found: Mapping[str, Any]) -> list[str]:
    """The document of `windowcast check --budget --json` as text."""
    if found["morning"] is None:
        return [tr("The sample weather is asked of nobody: a morning costs nothing.")]
    yards = trn("{count} yard", "{count} yards", found["yards"])
    lines = [tr("A morning for {yards}", yards=yards), ""]
    rows = [
        (tr("source"), tr("places"), tr("requests"), tr("weight each"), tr("weight")),
        *(
            (
                _source(one["source"]),
                str(one["places"]),
                str(one["requests"]),
                f"{one['weight_a_place']:.2f}",
                _weight(one["weight"]),
            )
            for one in found["sources"]
        ),
        (
            tr("in all"),
            "",
            str(found["morning"]["requests"]),
            "",
            _weight(found["morning"]["weight"]),
        ),
    ]
    lines += [f"{a:<16}{b:>10}{c:>12}{d:>16}{e:>14}".rstrip() for a, b, c, d, e in rows]
    lines += [
        "",
        *_wrapped(_month(found["morning"])),
    ]
    if found["watch"]["looks_a_day"]:
        lines += _wrapped(
            tr(
                "A look between mornings weighs {weight} for each yard with a treatment in, up to"
                " {count} times a day ([morning] watch_hours).",
                weight=f"{found['watch']['weight_a_yard']:.2f}",
                count=found["watch"]["looks_a_day"],
            )
        )
    for one in found["once"]:
        lines += _wrapped(_once(one))
    for one in found["second"]:
        lines += _wrapped(
            tr(
                "{source} is asked {requests}, which have no weight.",
                source=one["source"],
                requests=trn("{count} time", "{count} times", one["requests"]),
            )
        )
    public = found["plan"] != "own server"
    lines += ["", tr("In force: {plan}", plan=_name(found["plan"]))]
    lines += labelled("", _verdict(found["in_force"]))
    if public:
        lines += ["", tr("The service's plans")]
        for one in found["plans"]:
            lines += labelled(_name(one["plan"]).capitalize(), _verdict(one))
    if found["changes"]:
        lines += ["", tr("What spares weight")]
        for one in found["changes"]:
            lines += _wrapped(
                tr(
                    "- {key}: {weight} less a morning; {lost}",
                    key=one["set"],
                    weight=_weight(one["saves_a_morning"]),
                    lost=_lost(one["loses"]),
                )
            )
    if not found["fits"]:
        lines.append("")
        if found["enough"]:
            lines += _wrapped(
                tr("It fits with: {changes}", changes="; ".join(found["enough"])),
            )
        else:
            lines += _wrapped(
                tr(
                    "None of these makes it fit: a paid plan or a server of your own does, or fewer"
                    " yards on one address."
                )
            )
    return lines


def _wrapped(text: str) -> list[str]:
    return wrapped(text).splitlines()


def _month(morning: Mapping[str, Any]) -> str:
    values = {"days": DAYS, "weight": _weight(morning["weight_a_month"])}
    again = morning["past_years_a_month"]
    if not again:
        return tr("In {days} days that weighs {weight}, fetched once a morning.", **values)
    return tr(
        "In {days} days that weighs {weight}: {mornings} for the mornings, and {again} for past"
        " years, which are fetched again after a while.",
        mornings=_weight(morning["weight_a_month"] - again),
        again=_weight(again),
        **values,
    )


def _weight(value: float) -> str:
    return words.whole(value) if value >= 100 else f"{value:.1f}"


def _source(name: str) -> str:
    return {
        "forecast": tr("forecast"),
        "ensemble": tr("ensemble"),
        "extended": tr("extended range"),
    }[name]


def _name(plan: str) -> str:
    return {
        "free": tr("free"),
        "standard": tr("standard"),
        "professional": tr("professional"),
        "own server": tr("your own server, which has no limit that is known"),
    }[plan]


def _once(one: Mapping[str, Any]) -> str:
    lacking = f"{one['lacking']:d}"
    each, most = f"{one['weight_each']:.1f}", one["at_most_a_morning"]
    if one["what"] == "past years":
        return trn(
            "Past years are still to come for {lacking} of {count} grid cell: {each} each, at most"
            " {most} a morning, and again after {days} days ([weather] archive_url).",
            "Past years are still to come for {lacking} of {count} grid cells: {each} each, at most"
            " {most} a morning, and again after {days} days ([weather] archive_url).",
            one["of"],
            lacking=lacking,
            each=each,
            most=most,
            days=one["again_after_days"],
        )
    return trn(
        "Past runs are still to come for {lacking} of {count} place: {each} each, at most {most} a"
        " morning, once ([weather] previous_runs_url and single_runs_url).",
        "Past runs are still to come for {lacking} of {count} places: {each} each, at most {most} a"
        " morning, once ([weather] previous_runs_url and single_runs_url).",
        one["of"],
        lacking=lacking,
        each=each,
        most=most,
    )


def _verdict(one: Mapping[str, Any]) -> str:
    limits = [
        text
        for text, value in (
            (tr("{weight} a minute", weight=_limit(one["per_minute"])), one["per_minute"]),
            (tr("{weight} an hour", weight=_limit(one["per_hour"])), one["per_hour"]),
            (tr("{weight} a day", weight=_limit(one["per_day"])), one["per_day"]),
            (tr("{weight} a month", weight=_limit(one["per_month"])), one["per_month"]),
        )
        if value is not None
    ]
    parts = [", ".join(limits)] if limits else []
    if one["not_included"]:
        names = ", ".join(_source(name) for name in one["not_included"])
        parts.append(tr("does not include: {sources}", sources=names))
    elif "day" in one["over"]:
        without = ", ".join(
            f"{_source(name)} {count}" for name, count in one["places_without"].items()
        )
        parts.append(tr("does not fit; places without: {places}", places=without))
    elif "month" in one["over"]:
        parts.append(tr("does not fit: the month's limit is used up before its end"))
    else:
        parts.append(tr("fits, done in about {time}", time=_time(one["seconds"])))
    return "; ".join(parts)


def _limit(value: float | None) -> str:
    return "" if value is None else _weight(value)


def _time(seconds: int) -> str:
    if seconds < 60:
        return tr("{count} s", count=seconds)
    if seconds < 5400:
        return tr("{count} min", count=-(-seconds // 60))
    return tr("{count} h", count=f"{seconds / 3600:.1f}")


def _lost(what: str) -> str:
    return {
        "nothing": tr("nothing is lost"),
        "extended range": tr("past years alone carry on beyond the ensemble"),
        "scenarios": tr("21 scenarios instead of more"),
        "ensemble": tr("a single forecast and no scenarios"),
    }[what]
