"""An answer as one JSON document (`windowcast yard NAME --json`), of plain Python values."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from fractions import Fraction
from functools import lru_cache
from typing import Any

from windowcast.notice.reason import reason
from windowcast.trade.visits import Visit
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer
from windowcast.window.scan import Share

SCHEMA = 1


COLUMNS = (
    "start",
    "regimen",
    "safe",
    "fits",
    "chance",
    "too_hot",
    "too_cold",
    "danger",
    "hottest_c",
    "margin_c",
    "limiting_day",
    "forecast_days",
    "exposure_days",
)
"""Of a start."""


def document(answer: YardAnswer, units: str) -> dict[str, Any]:
    """The whole answer; temperatures in °C whatever `units` (which only words the reasons)."""
    return _document(answer, units, _named)


def kept(answer: YardAnswer, units: str) -> dict[str, Any]:
    """The same as it is kept: the names of what is known of each start stand there once. `starts`
    gives its starts again."""
    return _document(answer, units, lambda rows: {"columns": COLUMNS, "rows": list(rows)})


def starts(found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The starts of one treatment of `document` or of `kept`, as `document` has them."""
    of_treatment = found["starts"]
    if isinstance(of_treatment, dict):
        columns = of_treatment["columns"]
        return [dict(zip(columns, one, strict=True)) for one in of_treatment["rows"]]
    return list(of_treatment)


Rows = Callable[[Iterable[tuple[Any, ...]]], Any]


def _named(rows: Iterable[tuple[Any, ...]]) -> list[dict[str, Any]]:
    return [dict(zip(COLUMNS, one, strict=True)) for one in rows]


def _document(answer: YardAnswer, units: str, put: Rows) -> dict[str, Any]:
    forecast = answer.forecast
    return {
        "schema": SCHEMA,
        "yard": answer.yard.name,
        "timezone": answer.yard.timezone,
        "today": answer.today.isoformat(),
        "forecast": {
            "source": forecast.source,
            "fetched_at": _instant(forecast.fetched_at),
            "run_at": _instant(forecast.run_at),
            "age_hours": None if forecast.age_hours is None else round(forecast.age_hours, 1),
            "stale": forecast.stale,
            "first_day": None if forecast.first_day is None else forecast.first_day.isoformat(),
            "last_day": None if forecast.last_day is None else forecast.last_day.isoformat(),
            "scenarios": forecast.scenarios,
            "how": forecast.how,
            "sources": list(forecast.sources),
            "missing": list(forecast.missing),
            "attribution": forecast.attribution,
        },
        "treatments": [_treatment(one, answer, units, put) for one in answer.treatments],
    }


def _treatment(answer: TreatmentAnswer, yard: YardAnswer, units: str, put: Rows) -> dict[str, Any]:
    named = answer.named if answer.status is not Status.UNKNOWN else None
    return {
        "treatment": answer.treatment.id,
        "status": answer.status.value,
        "earliest_start": None if named is None else named.day.isoformat(),
        "regimen": None if named is None else named.start.regimen.id,
        "chance": None if named is None else _share(named.start.chance),
        "visits": [] if named is None else [_visit(visit) for visit in answer.visits],
        "reason": reason(answer, yard.forecast, units),
        "best": None
        if answer.best is None
        else {
            "start": answer.best.day.isoformat(),
            "regimen": answer.best.start.regimen.id,
            "chance": _share(answer.best.start.chance),
        },
        "starts": put(map(_row, answer.rows)),
    }


def _row(row: Row) -> tuple[Any, ...]:
    """As COLUMNS has it."""
    # Taken apart once: a morning of many yards writes some hundred thousand of these.
    (_, regimen, day, fit, chance, too_hot, too_cold, danger, hottest_c), flaws, _, _ = row
    limiting_day = fit.limiting_day
    return (
        day.isoformat(),
        regimen.id,
        not flaws,
        fit.fits,
        _share(chance),
        _share(too_hot),
        _share(too_cold),
        _share(danger),
        _rounded(hottest_c),
        _rounded(fit.margin_c),
        None if limiting_day is None else limiting_day.isoformat(),
        fit.days,
        regimen.exposure_days,
    )


def _visit(visit: Visit) -> dict[str, Any]:
    found: dict[str, Any] = {"date": visit.day.isoformat(), "task": visit.task.value}
    if visit.strips_per_colony is not None:
        found |= {"strips_per_colony": visit.strips_per_colony, "strips": visit.strips}
    for key in ("ml_per_seam", "g_per_chamber", "g"):
        amount = getattr(visit.dose, key)
        if amount is not None:
            found[key] = amount
    return found


@lru_cache(maxsize=4096)
def _share(share: Share | None) -> float | None:
    return None if share is None else _thousandths(*share)


def _rounded(temperature_c: Fraction | None) -> float | None:
    if temperature_c is None:
        return None
    return _thousandths(temperature_c.numerator, temperature_c.denominator)


@lru_cache(maxsize=4096)
def _thousandths(numerator: int, denominator: int) -> float:
    return round(numerator / denominator, 3)


def _instant(value: datetime | None) -> str | None:
    return None if value is None else value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
