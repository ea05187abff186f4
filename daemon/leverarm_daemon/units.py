"""Units at the edges: SI inside, the trade's units only where a person reads them."""

import math
from collections.abc import Callable
from typing import Final, NamedTuple

RPM_PER_RAD_S: Final = 30.0 / math.pi
"""Exact: 1 rad/s is 30/pi revolutions a minute."""

WATTS_PER_HP: Final = 745.6998715822702
"""Exact: 550 foot-pounds-force a second."""

NM_PER_LBF_FT: Final = 1.3558179483314004
"""Exact: 0.45359237 kg x 9.80665 m/s2 x 0.3048 m."""


def rad_s_from_rpm(speed_rpm: float) -> float:
    """Give the angular speed in rad/s."""
    return speed_rpm / RPM_PER_RAD_S


def hp_from_kw(power_kw: float) -> float:
    """Give mechanical horsepower (550 ft lbf/s)."""
    return power_kw * 1000.0 / WATTS_PER_HP


def lbf_ft_from_nm(torque_nm: float) -> float:
    """Give torque in pound-force feet."""
    return torque_nm / NM_PER_LBF_FT


class Shown(NamedTuple):
    """How a quantity is shown to people: its unit, and the number in it of the number inside."""

    unit: str
    of: Callable[[float], float]


SI: Final = {"torque_nm": Shown("N·m", float), "power_kw": Shown("kW", float)}
TRADE: Final = {"torque_nm": Shown("lb·ft", lbf_ft_from_nm), "power_kw": Shown("hp", hp_from_kw)}
"""The units that a person may choose between, by quantity."""


def rpm_from_interval_us(interval_us: int, pulses_per_rev: float) -> float:
    """Give the mean speed over one pickup interval; the interval must be positive."""
    return 60e6 / (interval_us * pulses_per_rev)


def interval_us_from_rpm(speed_rpm: float, pulses_per_rev: float) -> int:
    """Give the pickup interval at a speed, rounded up: a limit made of it never acts late."""
    return math.ceil(60e6 / (speed_rpm * pulses_per_rev))
