"""Exact intervals for shares, from the incomplete beta function.

A statistics library would take longer to import than a yard's whole answer, so the one function
behind these intervals is worked out here; the tests hold it against one.
"""

from __future__ import annotations

import math
from functools import lru_cache

NORMAL_975 = 1.959963984540054
"""What 97.5 % of the standard normal distribution lies below."""
_TINY = 1e-300


def incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b), a and b above 0, x from 0 to 1.

    The continued fraction of Abramowitz & Stegun 26.5.8, evaluated from the front (Lentz 1976).
    """
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - incomplete_beta(b, a, 1 - x)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    c, d = 1.0, 1 - (a + b) * x / (a + 1)
    d = 1 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, 500):
        for step in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 + step * d
            d = 1 / (d if abs(d) > _TINY else _TINY)
            c = 1 + step / c
            c = c if abs(c) > _TINY else _TINY
            value *= c * d
        if abs(c * d - 1) < 1e-14:
            break
    return front * value / a


def beta_quantile(a: float, b: float, share: float) -> float:
    """The x at which I_x(a, b) is `share`.

    Newton's steps from the mean, each kept between the ends known so far; where one leads out, or
    is slow, the middle of them.
    """
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    low, high, x = 0.0, 1.0, a / (a + b)
    for _ in range(200):
        apart = incomplete_beta(a, b, x) - share
        low, high = (x, high) if apart < 0 else (low, x)
        slope = front + (a - 1) * math.log(x) + (b - 1) * math.log1p(-x)
        step = apart * math.exp(-slope) if slope > -600 else math.inf
        after = x - step
        if not low < after < high:
            after = (low + high) / 2
        if abs(after - x) <= 1e-14 * x or not 0 < after < 1:
            return after
        x = after
    return x


def clopper_pearson(found: float, of: float, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a share: `found` of `of`, 0 <= found <= of, of > 0.

    Clopper & Pearson 1934: the lower end is where so many or more have half of what is left, the
    upper end where so many or fewer do. Numbers that are not whole are taken as they are (Korn &
    Graubard 1998).
    """
    tail = (1 - confidence) / 2
    low = 0.0 if found <= 0 else beta_quantile(found, of - found + 1, tail)
    high = 1.0 if found >= of else beta_quantile(found + 1, of - found, 1 - tail)
    return low, high


@lru_cache(maxsize=64)
def student_quantile(degrees: float, share: float) -> float:
    """Student's t that `share` (0.5 or more) of the distribution lies below."""
    # P(|T| <= t) is I_x(1/2, degrees/2) with x = t² / (degrees + t²).
    x = beta_quantile(0.5, degrees / 2, 2 * share - 1)
    return math.sqrt(degrees * x / (1 - x))
