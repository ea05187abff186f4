"""The top of a curve: how high, and at what speed."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leverarm_daemon.errors import Refused
from leverarm_daemon.records import CurvePoint, Peak

NEARBY: Final = 0.2
"""The fit takes the points within this fraction of the top's speed.

Tried on curves of 16 to 21 points that scatter by 1.2 %: narrower, the peak scatters more and noise
lifts it (by 0.3 % at 0.15); wider, what is not a parabola flattens it (by 0.5 % at 0.3). Here neither
takes more than 0.2 %, alike for builds of one shape, and the peak scatters by 0.5 %.
"""

FEWEST_POINTS: Final = 5
"""Below this many points a parabola would follow the noise; the highest point is given as it is."""

ROUNDS: Final = 4

Floats = NDArray[np.float64]


def peak(points: Sequence[CurvePoint], quantity: str) -> Peak:
    """Give the peak of "torque_nm" or "power_kw".

    Refused without points, for NaN, or for another quantity.
    A parabola is fitted by least squares to the points around the top, then again around the top
    found: the highest single point would be high by whatever noise lifted it. The peak never lies
    outside the speeds fitted.
    """
    speed_rpm, values = _columns(points, quantity)
    highest = int(np.argmax(values))
    top = Peak(float(values[highest]), float(speed_rpm[highest]))
    if len(points) < FEWEST_POINTS:
        return top
    for _ in range(ROUNDS):
        near = _near(speed_rpm, top.speed_rpm)
        top = _parabola_top(speed_rpm[near], values[near])
    return top


def _columns(points: Sequence[CurvePoint], quantity: str) -> tuple[Floats, Floats]:
    if quantity not in ("torque_nm", "power_kw"):
        raise Refused((f"there is no peak of {quantity!r}; known: torque_nm, power_kw",))
    if not points:
        raise Refused(("the curve has no points: no whole cycles with speed and load were seen",))
    speed_rpm = np.array([point.speed_rpm for point in points])
    values = np.array([getattr(point, quantity) for point in points])
    if not (np.isfinite(speed_rpm).all() and np.isfinite(values).all()):
        raise Refused((f"the curve holds numbers that are not finite in speed_rpm or {quantity}",))
    return speed_rpm, values


def _near(speed_rpm: Floats, centre_rpm: float) -> NDArray[np.intp]:
    """Give the points within NEARBY of the centre, or the nearest few where those are too few."""
    away = np.abs(speed_rpm - centre_rpm)
    count = max(FEWEST_POINTS, int((away <= NEARBY * centre_rpm).sum()))
    return np.argsort(away, kind="stable")[:count]


def _parabola_top(speed_rpm: Floats, values: Floats) -> Peak:
    """Give the highest place of the fitted parabola within the speeds given."""
    middle, half = (speed_rpm.min() + speed_rpm.max()) / 2, np.ptp(speed_rpm) / 2
    if half == 0:
        return Peak(float(values.mean()), float(middle))
    x = (speed_rpm - middle) / half
    c0, c1, c2 = np.linalg.lstsq(np.vander(x, 3, increasing=True), values, rcond=None)[0]
    places = [-1.0, 1.0] if c2 >= 0 else [float(np.clip(-c1 / (2 * c2), -1.0, 1.0))]
    top = max(places, key=lambda place: c0 + c1 * place + c2 * place**2)
    return Peak(float(c0 + c1 * top + c2 * top**2), float(middle + half * top))
