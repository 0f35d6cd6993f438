"""How strong the days of an exposure make formic acid, in words: an explanation, never a dose."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from windowcast.notice.plain import labelled
from windowcast.trade.vapour import Strength
from windowcast.window.decide import Status, TreatmentAnswer


def strength_lines(answer: TreatmentAnswer, found: Mapping[str, Strength]) -> list[str]:
    """Of the start that is named; no line where none is, or where it is not known."""
    named = answer.named
    if named is None or answer.status is Status.UNKNOWN:
        return []
    strong = found.get(named.start.regimen.id)
    if strong is None:
        return []
    days = named.start.regimen.exposure_days
    return labelled(
        "Strength",
        f"these days evaporate the acid about {strong.middle:.1f} times as strongly as {days} days"
        f" at 20 °C ({strong.low:.1f} to {strong.high:.1f}); an explanation, the dose stays the"
        " label's",
    )


def strength_document(found: Mapping[str, Strength]) -> dict[str, Any]:
    """By regimen, against as many days at 20 °C."""
    return {
        regimen: {
            "middle": round(one.middle, 2),
            "low": round(one.low, 2),
            "high": round(one.high, 2),
        }
        for regimen, one in found.items()
    }
