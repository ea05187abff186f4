import pytest

from leverarm_daemon.quantities.power import power_kw
from leverarm_daemon.quantities.torque import (
    bmep_kpa,
    brake_torque_nm,
    inertia_share,
    inertia_torque_nm,
)


def test_a_belt_that_slows_the_drum_leaves_power_as_it_is() -> None:
    at_drum_nm, crank_rpm, ratio = 60.0, 3000.0, 2.0
    at_crank_nm = brake_torque_nm(at_drum_nm / 0.5, 0.5, ratio)
    assert power_kw(at_crank_nm, crank_rpm) == pytest.approx(power_kw(at_drum_nm, crank_rpm / ratio))


def test_a_falling_speed_gives_torque_back() -> None:
    assert inertia_torque_nm(0.225, -20.944) == pytest.approx(-4.712, abs=1e-3)


@pytest.mark.parametrize(
    ("inertia_nm", "torque_nm", "share"),
    [(-2.0, 20.0, 0.1), (2.0, 20.0, 0.1), (5.0, 1.0, 1.0), (0.0, 0.0, 0.0), (1.0, 0.0, 1.0)],
)
def test_the_share_is_that_of_the_shaft_torque(inertia_nm: float, torque_nm: float, share: float) -> None:
    assert inertia_share(inertia_nm, torque_nm) == share


def test_a_two_stroke_needs_half_the_pressure_for_the_same_torque() -> None:
    assert bmep_kpa(20.0, 270.0, 4) == pytest.approx(2 * bmep_kpa(20.0, 270.0, 2))
