"""Where a second weather service differs from the first, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from windowcast.language import tr
from windowcast.notice import words
from windowcast.notice.plain import labelled
from windowcast.sky.second import Difference


def second_lines(
    found: Mapping[str, Sequence[Difference]], names: Mapping[str, str], units: str
) -> list[str]:
    """One line for each service that differs more than usual; none where they agree."""
    lines: list[str] = []
    for source, days in found.items():
        if not days:
            continue
        lines += labelled(
            tr("Second look"),
            tr(
                "{service} has {highs}: more than the two usually differ, so take the chance for"
                " less sure than it says",
                service=tr(names[source]),
                highs=words.listed([_high(one, units) for one in days]),
            ),
        )
    return lines


def _high(one: Difference, units: str) -> str:
    values = {
        "degrees": words.degrees(one.second_tenths / 10, units),
        "day": words.day(one.day),
        "difference": words.difference(one.by_k, units),
    }
    if one.by_k > 0:
        return tr("{degrees} on {day}, {difference} above the first", **values)
    return tr("{degrees} on {day}, {difference} below the first", **values)


def second_document(found: Mapping[str, Sequence[Difference]]) -> dict[str, Any]:
    """By service, the days on which it differs more than usual, °C."""
    return {
        source: [
            {
                "day": one.day.isoformat(),
                "first_c": one.first_tenths / 10,
                "second_c": one.second_tenths / 10,
                "by_k": round(one.by_k, 2),
                "usual_k": round(one.usual_k, 2),
            }
            for one in days
        ]
        for source, days in found.items()
    }
