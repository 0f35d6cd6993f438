"""What is to be done and minded at the hive, in words; no template engine behind them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from windowcast.notice import words
from windowcast.notice.plain import labelled
from windowcast.trade import hive as hives
from windowcast.trade import visits as visiting
from windowcast.trade.hive import Preparation
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.yard import Hive

PREPARATION = {
    Preparation.SUPERS_OFF_SET_ASIDE: "honey supers off and set aside; at most {supers} back on",
    Preparation.SUPERS_STAY_OFF: "honey supers stay off for the whole exposure",
    Preparation.ENTRANCE_OPEN: "entrance wide open, no reducer",
    Preparation.FLOOR_CLOSED: "screened floor closed at the back",
    Preparation.ONE_STRIP_MIDDLE: "one strip in the middle of the brood nest",
    Preparation.TWO_STRIPS_OFFSET: "two strips, offset from each other, not side by side",
    Preparation.ABOVE_SINGLE_CHAMBER: "lay it on the top bars above the single brood chamber",
    Preparation.BETWEEN_CHAMBERS: "lay it on the top bars between the two brood chambers",
    Preparation.ON_EXCLUDER: "on top of the queen excluder, where the label allows",
}
CAUTIONS = {
    "formic acid": (
        "Formic acid burns skin, eyes and lungs: acid-resistant gloves, sealed goggles, long"
        " sleeves, a mask for acid vapour where the label says so; work upwind, in the open air,"
        " with plenty of water at hand."
    ),
    "oxalic acid": (
        "Oxalic acid harms eyes, skin and lungs: acid-resistant gloves, goggles, long sleeves, a"
        " particle mask with spray or vapour; work upwind, in the open air, with water at hand."
    ),
    "amitraz": (
        "Amitraz goes through the skin: wear gloves; it is not for people on MAO inhibitors."
    ),
    "thymol": "Thymol irritates skin and eyes and can sensitise: wear gloves and goggles.",
}
LAW = "The label and local law decide: read them before you open a packet."


def cautions(actives: Iterable[str]) -> list[str]:
    """One paragraph for each active that has one."""
    return [CAUTIONS[active] for active in actives if active in CAUTIONS]


def at_the_hive(treatment: Treatment, regimen: Regimen, hive: Hive) -> list[str]:
    """What to do at the hive on the start day."""
    lines: list[str] = []
    for step in hives.preparations(treatment, regimen, hive):
        text = PREPARATION[step].format(supers=words.number(treatment.max_supers or 0))
        lines += labelled("" if lines else "At the hive", f"- {text}")
    return lines


def left_shut(
    treatment: Treatment, regimen: Regimen, *, start: date, today: date | None = None
) -> list[str]:
    """On which days the hive is left alone, and why; with `today` only what is still to come."""
    spans = [
        one
        for one in visiting.shut_days(treatment, regimen, start=start)
        if today is None or one.last_day >= today
    ]
    if not spans:
        return []
    text = words.listed([words.span(one.first_day, one.last_day) for one in spans])
    why = (
        "bees may ball the queen while the vapour is strong"
        if treatment.active == "formic acid"
        else "opening it disturbs the treatment"
    )
    swaps = [start + timedelta(days=dose.day) for dose in regimen.doses[1:]]
    ahead = [day for day in swaps if today is None or day >= today]
    but = f"; the swap on {words.day(ahead[0])} is the one exception" if ahead else ""
    return labelled("Leave shut", f"{text}: {why}{but}")
