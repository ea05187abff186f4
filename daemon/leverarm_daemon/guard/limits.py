"""From ratings and settings to the limits that the front end holds: the weakest part sets the trip speed."""

import math
from typing import Final

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import Refused, RefuseToStart
from leverarm_daemon.guard.rules import SLOW_RPM
from leverarm_daemon.records import Build, Calibration
from leverarm_daemon.units import RPM_PER_RAD_S, interval_us_from_rpm, rad_s_from_rpm

ELECTRONICS_S: Final = 0.020
"""Reserve for relay and front end, until this stand's own stops have been timed."""

ARM_MS: Final = 2000
LOST_MS: Final = 100
STILL_MS: Final = 1000
NOT_ONE_WAY: Final = "More counts must always mean more force, or always less, up to 110 % of load.rated_n"


def weakest_rpm(build: Build) -> float:
    """Give the lowest rating of all rotating parts; raises Refused where one is unknown."""
    unknown = tuple(part.name for part in build.rotating if part.max_rpm is None)
    if unknown or not build.rotating:
        what = ", ".join(unknown) or "every rotating part"
        raise Refused((f"rating unknown: {what}. Ask its maker, and write max_rpm into the build",))
    return min(part.max_rpm for part in build.rotating if part.max_rpm is not None)


def peak_after_trip_rpm(trip_rpm: float, build: Build, pulses_per_rev: float) -> float:
    """Foresee the highest speed when the load vanishes just below the trip speed at full torque.

    The shaft gains speed for one pickup interval (nobody sees it sooner) and while the relay drops;
    then one stroke that is already sparked still adds up to a cycle's work, torque times 4 pi.
    """
    gain_rad_s2 = build.peak_torque_nm / build.inertia_kg_m2
    trip_rad_s = rad_s_from_rpm(trip_rpm)
    blind_s = 2 * math.pi / (trip_rad_s * pulses_per_rev) + ELECTRONICS_S
    cut_rad_s = trip_rad_s + gain_rad_s2 * blind_s
    return math.sqrt(cut_rad_s**2 + 8 * math.pi * gain_rad_s2) * RPM_PER_RAD_S


def trip_speed_rpm(build: Build, pulses_per_rev: float) -> float:
    """Give the trip speed from which even the foreseen peak stays at or below the weakest rating; raises Refused.

    The peak rises with the trip speed above the speed where it is lowest, so bisection finds it.
    """
    weakest = weakest_rpm(build)
    gain_rad_s2 = build.peak_torque_nm / build.inertia_kg_m2
    low, high = math.sqrt(2 * math.pi * gain_rad_s2 / pulses_per_rev) * RPM_PER_RAD_S, weakest
    if low >= high or peak_after_trip_rpm(low, build, pulses_per_rev) > weakest:
        raise Refused((
            f"no trip speed is low enough: with {build.inertia_kg_m2} kg m2 the shaft would pass {weakest:.0f} rpm "
            "before the ignition is off. Fit a heavier flywheel or stronger parts",
        ))
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if peak_after_trip_rpm(middle, build, pulses_per_rev) <= weakest else (low, middle)
        )
    return math.floor(low)


def device_limits(stand: StandFile, trip_rpm: float, shield_fitted: bool) -> tuple[tuple[str, int], ...]:
    """Give the limits in the front end's units, in the order of PROTOCOL.md."""
    ppr = stand.pickup.pulses_per_rev
    return (
        ("trip_us", interval_us_from_rpm(trip_rpm, ppr)),
        ("cap_us", interval_us_from_rpm(min(stand.limits.start_cap_rpm, trip_rpm), ppr)),
        ("slow_us", interval_us_from_rpm(SLOW_RPM, ppr)),
        ("arm_ms", ARM_MS),
        ("lost_ms", LOST_MS),
        ("still_ms", STILL_MS),
        ("age_ms", stand.link.answer_age_max_ms),
        ("lapse_s", round(stand.limits.start_lapse_s)),
        ("shield", int(shield_fitted)),
    )


def force_at(calibration: Calibration, counts: float) -> float:
    """Give the calibration's force at these counts."""
    return sum(a * counts**n for n, a in enumerate(calibration.coefficients))


def slope_at(calibration: Calibration, counts: float) -> float:
    """Give the calibration's newtons a count at these counts."""
    return sum(n * a * counts ** (n - 1) for n, a in enumerate(calibration.coefficients) if n)


def counts_at(calibration: Calibration, force_n: float) -> float:
    """Give the counts at a force, by Newton's method; raises RefuseToStart where there are none."""
    c = calibration.coefficients
    if len(c) < 2 or c[1] == 0.0:
        raise RefuseToStart("load.calibration: the second coefficient must not be 0: counts would say nothing")
    counts = (force_n - c[0]) / c[1]
    for _ in range(50):
        slope = slope_at(calibration, counts)
        counts -= (force_at(calibration, counts) - force_n) / slope if slope else 0.0
    if abs(force_at(calibration, counts) - force_n) > 1e-6 * max(1.0, abs(force_n)):
        raise RefuseToStart(f"load.calibration: no counts belong to {force_n:.0f} N. {NOT_ONE_WAY}")
    return counts


def counts_within(calibration: Calibration, most_n: float) -> tuple[float, float]:
    """Give the counts between which the force stays within plus and minus this much.

    Raises RefuseToStart where counts and force do not go one way all through.
    """
    one, other = counts_at(calibration, -most_n), counts_at(calibration, most_n)
    slopes = [slope_at(calibration, one + part / 20 * (other - one)) for part in range(21)]
    if min(slopes) * max(slopes) <= 0.0:
        raise RefuseToStart(f"load.calibration: over the cell's range it bends back. {NOT_ONE_WAY}")
    return min(one, other), max(one, other)
