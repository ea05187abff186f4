"""How far numbers scatter, and what that scatter allows one to say."""

import math
from collections.abc import Sequence
from typing import Final

from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Record, Spread

CONFIDENCE: Final = 0.95
"""Two-sided."""


class Welch(Record):
    """Mean of B minus mean of A, its t, degrees of freedom `nu`, and its 95 % interval."""

    difference: float
    t: float
    nu: float
    low: float
    high: float


def mean_sd(values: Sequence[float]) -> tuple[float, float | None]:
    """Give mean and sample standard deviation (n - 1), the latter None for one value.

    Refused for no values, or NaN among them.

    Two passes: the one-pass formula loses everything when the scatter is small beside the mean.
    """
    if not values:
        raise Refused(("there is nothing to average: no values",))
    if bad := [value for value in values if not math.isfinite(value)]:
        raise Refused((f"{len(bad)} of {len(values)} values not finite; leave that pull out",))
    mean = math.fsum(values) / len(values)
    if len(values) == 1:
        return mean, None
    squares = math.fsum((value - mean) ** 2 for value in values)
    return mean, math.sqrt(squares / (len(values) - 1))


def spread(values: Sequence[float]) -> Spread:
    """Give mean, standard deviation and the 95 % t interval of the mean; of one value the mean."""
    mean, sd = mean_sd(values)
    if sd is None:
        return Spread(1, mean, None, None, None)
    half = t_critical(len(values) - 1) * sd / math.sqrt(len(values))
    return Spread(len(values), mean, sd, mean - half, mean + half)


def t_critical(nu: float) -> float:
    """Give the t that 95 % of Student's distribution with `nu` degrees of freedom lies within."""
    from scipy.special import stdtrit  # loaded when asked: it takes long to start

    return float(stdtrit(nu, (1 + CONFIDENCE) / 2))


def welch(a: Spread, b: Spread) -> Welch:
    """Compare two means whose scatters may differ, B minus A, after Welch and Satterthwaite.

    Refused where a group has fewer than two values, or where neither group scatters at all.
    """
    if a.sd is None or b.sd is None:
        raise Refused((f"{a.n} and {b.n} pulls: a comparison needs two or more in each group",))
    part_a, part_b = a.sd**2 / a.n, b.sd**2 / b.n
    if part_a + part_b == 0:
        raise Refused(("the pulls of each group are exactly equal: no stand repeats like that",))
    error = math.sqrt(part_a + part_b)
    nu = (part_a + part_b) ** 2 / (part_a**2 / (a.n - 1) + part_b**2 / (b.n - 1))
    difference, half = b.mean - a.mean, t_critical(nu) * error
    return Welch(difference, difference / error, nu, difference - half, difference + half)
