import math

import numpy as np
import pytest

from leverarm_daemon.analysis.curve import peak
from leverarm_daemon.errors import Refused
from leverarm_daemon.records import CurvePoint
from support.pulls import curve

SPEEDS = np.arange(3600, 1700, -100.0)


def torque_nm(speed_rpm: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Give an invented torque curve: 18 N·m at 2,500 rpm, falling faster above than below."""
    x = (speed_rpm - 2500) / 1000
    return 18 - 2.0 * x**2 - 0.6 * x**3


def noisy(random: np.random.Generator, factor: float = 1.0) -> list[CurvePoint]:
    shift = random.uniform(-50, 50)
    torques = factor * torque_nm(SPEEDS + shift) * (1 + random.normal(0, 0.01, SPEEDS.size))
    return curve(list(SPEEDS + shift), list(torques))


def test_a_parabola_is_found_exactly() -> None:
    found = peak(curve(list(SPEEDS), list(20 - ((SPEEDS - 2540) / 500) ** 2)), "torque_nm")
    assert found.value == pytest.approx(20.0)
    assert found.speed_rpm == pytest.approx(2540.0)


def test_power_has_its_own_peak() -> None:
    points = curve(list(SPEEDS), list(torque_nm(SPEEDS)))
    fine = np.linspace(1800, 3600, 20_000)
    power_kw = torque_nm(fine) * fine / 9549.3
    found = peak(points, "power_kw")
    assert found.value == pytest.approx(power_kw.max(), rel=2.5e-3)      # no parabola: flattened by 0.2 %
    assert found.speed_rpm == pytest.approx(fine[power_kw.argmax()], abs=40)
    assert found.speed_rpm > peak(points, "torque_nm").speed_rpm + 300


def test_noise_does_not_lift_the_peak() -> None:
    random = np.random.default_rng(3)
    found = np.array([peak(noisy(random), "torque_nm").value for _ in range(400)])
    highest = np.array([max(p.torque_nm for p in noisy(random)) for _ in range(400)])
    assert found.mean() == pytest.approx(18.0, rel=0.003)
    assert highest.mean() > 18.0 * 1.008           # what the single highest point would say
    assert found.std() < 18 * 0.005                # a point scatters by 1 %


@pytest.mark.parametrize("quantity", ["torque_nm", "power_kw"])
def test_the_difference_between_two_builds_of_one_shape_is_right(quantity: str) -> None:
    random = np.random.default_rng(4)
    a = np.mean([peak(noisy(random), quantity).value for _ in range(400)])
    b = np.mean([peak(noisy(random, 0.98), quantity).value for _ in range(400)])
    assert b / a - 1 == pytest.approx(-0.02, abs=0.001)


@pytest.mark.parametrize("slope", [-0.002, 0.002])
def test_a_peak_at_an_end_stays_within_the_speeds_seen(slope: float) -> None:
    found = peak(curve(list(SPEEDS), list(15 + slope * (SPEEDS - 2700))), "torque_nm")
    assert found.speed_rpm == pytest.approx(3600 if slope > 0 else 1800)
    assert found.value == pytest.approx(15 + 0.002 * 900)


def test_few_points_give_the_highest_as_it_is() -> None:
    found = peak(curve([3000, 2800, 2600, 2400], [10, 12, 11, 9]), "torque_nm")
    assert (found.value, found.speed_rpm) == (12, 2800)


def test_five_points_far_apart_are_fitted_together() -> None:
    found = peak(curve([3600, 3000, 2400, 1800, 1200], [16, 18, 18.2, 17, 14]), "torque_nm")
    assert 1200 <= found.speed_rpm <= 3600
    assert found.value == pytest.approx(18.3, abs=0.3)


def test_one_speed_only_gives_the_mean() -> None:
    found = peak(curve([3000] * 6, [10, 12, 11, 9, 11, 10]), "torque_nm")
    assert found.value == pytest.approx(10.5)
    assert found.speed_rpm == 3000


def test_no_points_are_refused() -> None:
    with pytest.raises(Refused, match="no points"):
        peak([], "power_kw")


def test_nan_is_refused() -> None:
    with pytest.raises(Refused, match="not finite in speed_rpm or torque_nm"):
        peak(curve([3000, 2900], [10, math.nan]), "torque_nm")


def test_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(Refused, match="'noise'; known: torque_nm, power_kw"):
        peak(curve([3000], [10]), "noise")
