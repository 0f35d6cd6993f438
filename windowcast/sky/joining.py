"""`scenarios.join` for who has numpy at hand: the same scenarios to the last bit, much faster."""

from __future__ import annotations

from array import array
from datetime import timedelta
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from windowcast.sky.highs import Members
from windowcast.sky.scenarios import SHARED_DAYS_FOR_RANK, Scenarios
from windowcast.sky.scenarios import join as join_one_by_one

Whole = NDArray[np.int64]


def join(ensemble: Members | None, extended: Members | None) -> Scenarios | None:
    """What `scenarios.join` gives."""
    if ensemble is None or extended is None:
        return join_one_by_one(ensemble, extended)
    ensemble_end = ensemble.first_day + timedelta(days=ensemble.days)
    extended_end = extended.first_day + timedelta(days=extended.days)
    shared_first = max(ensemble.first_day, extended.first_day)
    shared_days = (min(ensemble_end, extended_end) - shared_first).days
    more_days = (extended_end - ensemble_end).days
    if shared_days < 1 or more_days < 1:
        return join_one_by_one(ensemble, extended)
    ours, theirs = (
        np.frombuffer(one.tenths, np.int16).reshape(one.days, one.count).astype(np.int64)
        for one in (ensemble, extended)
    )
    begin = (shared_first - ensemble.first_day).days
    near = ours[begin : begin + shared_days]
    begin = (shared_first - extended.first_day).days
    far = theirs[begin : begin + shared_days]
    shift = Fraction(int(near.sum()), near.size) - Fraction(int(far.sum()), far.size)
    last = min(SHARED_DAYS_FOR_RANK, shared_days)
    ranks = np.empty(ensemble.count, np.int64)
    ranks[_order(near[-last:])] = np.arange(ensemble.count)
    # The middle of a rank's share of the distribution: exact for equal counts.
    partner = _order(far[-last:])[(2 * ranks + 1) * extended.count // (2 * ensemble.count)]
    beyond = theirs[extended.days - more_days :, partner]
    tenths = array("h", ensemble.tenths)
    tenths.frombytes(_shifted(beyond, shift).astype(np.int16).tobytes())
    return Scenarios(
        first_day=ensemble.first_day,
        days=ensemble.days + more_days,
        count=ensemble.count,
        tenths=tenths,
        sources=("ensemble", "extended"),
        ensemble_days=ensemble.days,
    )


def _order(highs: Whole) -> Whole:
    """Member numbers, coolest first, by their sum; ties by member number."""
    return np.argsort(highs.sum(axis=0), kind="stable")


def _shifted(tenths: Whole, shift: Fraction) -> Whole:
    """round(tenths + shift), half to even, in whole numbers."""
    whole, rest = np.divmod(tenths * shift.denominator + shift.numerator, shift.denominator)
    twice = 2 * rest - shift.denominator
    rounded: Whole = whole + ((twice > 0) | ((twice == 0) & (whole % 2 == 1)))
    return rounded
