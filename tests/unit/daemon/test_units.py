"""Units against their definitions. Sources are named; nothing here is measured."""

import math

import pytest
from scipy import constants

from leverarm_daemon import units

# 0.45359237 kg, 0.3048 m: International Yard and Pound Agreement, 1959.
# 9.80665 m/s2: 3rd General Conference on Weights and Measures, 1901. All exact by definition.
POUND_KG, FOOT_M, STANDARD_GRAVITY_M_S2 = 0.45359237, 0.3048, 9.80665


def test_horsepower_is_550_foot_pounds_force_a_second() -> None:
    by_definition = 550 * FOOT_M * POUND_KG * STANDARD_GRAVITY_M_S2
    assert by_definition == pytest.approx(units.WATTS_PER_HP, rel=1e-15)
    assert constants.hp == pytest.approx(units.WATTS_PER_HP, rel=1e-15)  # scipy.constants, CODATA's set
    assert units.hp_from_kw(by_definition / 1000) == pytest.approx(1, rel=1e-15)


def test_pound_force_foot() -> None:
    by_definition = FOOT_M * POUND_KG * STANDARD_GRAVITY_M_S2
    assert by_definition == pytest.approx(units.NM_PER_LBF_FT, rel=1e-15)
    assert constants.pound_force * constants.foot == pytest.approx(units.NM_PER_LBF_FT, rel=1e-15)
    assert units.lbf_ft_from_nm(by_definition) == pytest.approx(1, rel=1e-15)


def test_speed_in_revolutions_and_in_radians() -> None:
    assert units.rad_s_from_rpm(60) == pytest.approx(2 * math.pi, rel=1e-15)  # definition of the radian


def test_torque_and_power_are_the_same_number_at_5252_rpm() -> None:
    """Common practice: lb ft and hp curves cross at 5,252 rpm (33,000 / 2 pi = 5,252.11)."""
    torque_nm = 20.0
    crossing_rpm = 33_000 / (2 * math.pi)
    power_kw = torque_nm * units.rad_s_from_rpm(crossing_rpm) / 1000
    assert units.hp_from_kw(power_kw) == pytest.approx(units.lbf_ft_from_nm(torque_nm), rel=1e-12)
    assert round(crossing_rpm) == 5252


@pytest.mark.parametrize(
    ("interval_us", "pulses_per_rev", "speed_rpm"), [(20_000, 1, 3000), (40_000, 0.5, 3000), (1_000, 12, 5000)]
)
def test_speed_from_an_interval_and_back(interval_us: int, pulses_per_rev: float, speed_rpm: float) -> None:
    assert units.rpm_from_interval_us(interval_us, pulses_per_rev) == pytest.approx(speed_rpm)
    assert units.interval_us_from_rpm(speed_rpm, pulses_per_rev) == interval_us


def test_an_interval_is_rounded_up() -> None:
    """A limit's interval is never too short: the stand trips at the limit or a hair below it, not above."""
    assert units.interval_us_from_rpm(4200, 1) == 14_286  # 14285.7
