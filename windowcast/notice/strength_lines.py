"""How strong the days of an exposure make formic acid, in words: an explanation, never a dose."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.plain import labelled
from windowcast.trade.vapour import REFERENCE_C, Strength
from windowcast.units import fahrenheit_from_celsius
from windowcast.window.decide import Status, TreatmentAnswer


def strength_lines(answer: TreatmentAnswer, found: Mapping[str, Strength], units: str) -> list[str]:
    """Of the start that is named; no line where none is, or where it is not known."""
    named = answer.named
    if named is None or answer.status is Status.UNKNOWN:
        return []
    strong = found.get(named.start.regimen.id)
    if strong is None:
        return []
    days = named.start.regimen.exposure_days
    reference = fahrenheit_from_celsius(REFERENCE_C) if units == "F" else REFERENCE_C
    return labelled(
        tr("Strength"),
        trn(
            "these days evaporate the acid about {middle} times as strongly as {count} day at"
            " {temperature} ({low} to {high}); an explanation, the dose stays the label's",
            "these days evaporate the acid about {middle} times as strongly as {count} days at"
            " {temperature} ({low} to {high}); an explanation, the dose stays the label's",
            days,
            middle=words.decimal(strong.middle, 1),
            low=words.decimal(strong.low, 1),
            high=words.decimal(strong.high, 1),
            temperature=f"{reference:g} °{units}",
        ),
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
