"""What to bring to a yard, strips with spare, syrup and its acid, what to wear; what to order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, timedelta
from enum import Enum
from fractions import Fraction
from typing import NamedTuple

from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Dose, Regimen, Treatment
from windowcast.trade.yard import Hive, Yard

ORDER_LEAD_DAYS = 21
"""How long before the first start things are ordered; common practice, no source."""

TRICKLE_CAP_ML = Fraction(50)
"""The most that one colony gets: Swiss Bee Centre; Rademacher & Harz 2006."""
SEAMS = {1: 7, 2: 10}
"""Seams of bees in a colony of so many brood chambers, where nobody says; common practice, no
source. From 10 on the cap decides."""
ANHYDROUS = Fraction(9003, 12607)
"""Oxalic acid in its dihydrate, by mass: 90.03 g/mol in 126.07 g/mol."""


class Protection(Enum):
    """What people wear or have with them. The label may ask for more."""

    ACID_GLOVES = "acid-resistant gloves"
    GLOVES = "gloves"
    SEALED_GOGGLES = "sealed goggles"
    GOGGLES = "goggles"
    LONG_SLEEVES = "long sleeves"
    ACID_MASK = "a mask for acid vapour where the label says so"
    PARTICLE_MASK = "a particle mask"
    WATER = "plenty of water"
    LABEL = "what the label asks for"


class Load(NamedTuple):
    """What goes to a yard and into its hives; None where it does not apply.

    strips:        put in or, on a removal, taken out
    bring_strips:  put in, and the spare; None on a removal
    syrup_ml, acid_g:  of a trickle; the acid as dihydrate, None where the treatment does not say
    grams:         of what is given by weight
    """

    strips: int | None = None
    bring_strips: int | None = None
    syrup_ml: Fraction | None = None
    acid_g: Fraction | None = None
    grams: Fraction | None = None

    @property
    def anhydrous_g(self) -> Fraction | None:
        """The same acid without its water of crystals."""
        return None if self.acid_g is None else self.acid_g * ANHYDROUS


class Choice(NamedTuple):
    """What one yard is to get in the season: its doses, the first of them on `first_start`."""

    yard: Yard
    treatment: Treatment
    doses: tuple[Dose, ...]
    first_start: date | None


class Need(NamedTuple):
    """What one treatment needs in all yards that are to get it.

    load:         strips with the spare taken of their sum; `grams` and syrup without
    packs:        of `strips_in_a_pack` strips; None: sold singly, or not a strip
    first_start:  the earliest known; None: none is
    order_by:     `ORDER_LEAD_DAYS` before
    """

    treatment: Treatment
    yards: int
    colonies: int
    load: Load
    packs: int | None
    first_start: date | None
    order_by: date | None


def protection(treatment: Treatment) -> tuple[Protection, ...]:
    """What its active asks for, when it goes in and when it comes out.

    Formic acid: International Chemical Safety Card 0485. Oxalic acid: mask, goggles, gloves and
    sleeves as in Gumpp 2003. The rest: common practice, no source. The label decides.
    """
    if treatment.active == "formic acid":
        return (
            Protection.ACID_GLOVES,
            Protection.SEALED_GOGGLES,
            Protection.LONG_SLEEVES,
            Protection.ACID_MASK,
            Protection.WATER,
        )
    if treatment.active == "oxalic acid":
        mask = () if treatment.form == "trickle" else (Protection.PARTICLE_MASK,)
        return (
            Protection.ACID_GLOVES,
            Protection.GOGGLES,
            Protection.LONG_SLEEVES,
            *mask,
            Protection.WATER,
        )
    if treatment.active == "amitraz":
        return (Protection.GLOVES,)
    if treatment.active == "thymol":
        return (Protection.GLOVES, Protection.GOGGLES)
    return (Protection.LABEL,)


def with_spare(strips: int, spare_percent: float) -> int:
    """Strips to bring or to order for so many to put in; a part of a strip is a whole one."""
    return math.ceil(strips * (1 + Fraction(str(spare_percent)) / 100))


def trickle_ml(ml_per_seam: float, seams: int) -> Fraction:
    """What one colony gets, never more than the cap."""
    return min(Fraction(str(ml_per_seam)) * seams, TRICKLE_CAP_ML)


def load_of(
    treatment: Treatment,
    dose: Dose,
    hive: Hive,
    *,
    colonies: int,
    spare_percent: float,
    seams: int | None = None,
) -> Load:
    """What one dose takes in so many colonies; `seams` None: by the brood chambers."""
    if dose.strips is not None:
        strips = dose.strips * colonies
        return Load(strips=strips, bring_strips=with_spare(strips, spare_percent))
    if dose.ml_per_seam is not None:
        counted = SEAMS[hive.brood_chambers] if seams is None else seams
        syrup_ml = trickle_ml(dose.ml_per_seam, counted) * colonies
        strength = treatment.acid_g_per_litre
        return Load(
            syrup_ml=syrup_ml,
            acid_g=None if strength is None else syrup_ml * Fraction(str(strength)) / 1000,
        )
    grams = dose.g_per_chamber, dose.g
    each = (
        Fraction(str(grams[0])) * hive.brood_chambers
        if grams[0] is not None
        else Fraction(str(grams[1] or 0))
    )
    return Load(grams=each * colonies)


def largest(treatment: Treatment) -> Regimen:
    """The regimen that takes most of what is given; the first in the file on a tie."""

    def amount(regimen: Regimen) -> float:
        return sum(
            one.strips
            or one.strips_per_chamber
            or one.ml_per_seam
            or one.g_per_chamber
            or one.g
            or 0
            for one in regimen.doses
        )

    return max(treatment.regimens, key=amount)


def season_needs(
    choices: Iterable[Choice], rules: WorkRules, *, seams: int | None = None
) -> tuple[Need, ...]:
    """What all these yards need, treatment by treatment, in the order of first choice."""
    chosen: dict[str, list[Choice]] = {}
    for one in choices:
        chosen.setdefault(one.treatment.id, []).append(one)
    needs = []
    for each in chosen.values():
        treatment = each[0].treatment
        total = Load()
        for one in each:
            for dose in one.doses:
                total = add_up(
                    total,
                    load_of(
                        treatment,
                        dose,
                        one.yard.hive,
                        colonies=one.yard.colonies,
                        spare_percent=0,
                        seams=seams,
                    ),
                )
        packs = None
        if total.strips is not None:
            wanted = with_spare(total.strips, rules.spare_percent)
            total = total._replace(bring_strips=wanted)
            if treatment.strips_in_a_pack is not None:
                packs = math.ceil(Fraction(wanted, treatment.strips_in_a_pack))
        first = min((one.first_start for one in each if one.first_start), default=None)
        needs.append(
            Need(
                treatment=treatment,
                yards=len(each),
                colonies=sum(one.yard.colonies for one in each),
                load=total,
                packs=packs,
                first_start=first,
                order_by=None if first is None else first - timedelta(days=ORDER_LEAD_DAYS),
            )
        )
    return tuple(needs)


def add_up(one: Load, other: Load) -> Load:
    def add(a: Fraction | int | None, b: Fraction | int | None) -> Fraction | int | None:
        return b if a is None else a if b is None else a + b

    return Load(*map(add, one, other))  # type: ignore[arg-type]
