"""What a plan says of the strips that it goes by."""

from __future__ import annotations

from datetime import date

from windowcast.crew.stock import Held
from windowcast.language import trn
from windowcast.notice import words


def stock_words(held: Held, today: date) -> list[str]:
    """Where the number of strips that is planned with comes from, in whole sentences."""
    there = held.rows + held.came
    if held.since is None:
        found = [
            trn(
                "{treatment}: {count} strip is taken as there today, for crews.toml does not say"
                " when it was counted. Write the figure down after each trip, or give its row the"
                " day as counted.",
                "{treatment}: {count} strips are taken as there today, for crews.toml does not say"
                " when they were counted. Write the figure down after each trip, or give the row"
                " the day as counted.",
                there,
                treatment=held.treatment,
            )
        ]
        if held.entered:
            found.append(
                trn(
                    "Since that file was last written, {count} strip was entered as put in, the"
                    " spare among them.",
                    "Since that file was last written, {count} strips were entered as put in, the"
                    " spare among them.",
                    held.entered,
                )
            )
        return found
    day = words.day(held.since)
    if held.since > today:
        return [
            trn(
                "{treatment}: {count} strip is taken as there today, for crews.toml says that it"
                " was counted on {day}, which is still to come.",
                "{treatment}: {count} strips are taken as there today, for crews.toml says that"
                " they were counted on {day}, which is still to come.",
                there,
                treatment=held.treatment,
                day=words.day_with_year(held.since),
            )
        ]
    if not held.used:
        return []
    if held.used > there:
        return [
            trn(
                "{treatment}: {used} were put in since {day}, the spare among them, which is more"
                " than the {count} strip that was there; none is planned with. Count anew.",
                "{treatment}: {used} were put in since {day}, the spare among them, which is more"
                " than the {count} strips that were there; none is planned with. Count anew.",
                there,
                treatment=held.treatment,
                used=held.used,
                day=day,
            )
        ]
    return [
        trn(
            "{treatment}: {count} strip is left of {there}, for {used} were put in since {day}, the"
            " spare among them.",
            "{treatment}: {count} strips are left of {there}, for {used} were put in since {day},"
            " the spare among them.",
            held.left,
            treatment=held.treatment,
            there=there,
            used=held.used,
            day=day,
        )
    ]


def stock_document(held: Held) -> dict[str, object]:
    """The same as JSON allows; `used` is null where nobody knows."""
    known = held.since is not None
    return {
        "treatment": held.treatment,
        "strips": held.rows,
        "delivered": held.came,
        "since": None if held.since is None else held.since.isoformat(),
        "used": held.used if known else None,
        "left": held.left,
    }
