"""The weakest part sets the trip speed."""

import math

import pytest

from leverarm_daemon.config import PickupSection
from leverarm_daemon.errors import Refused, RefuseToStart
from leverarm_daemon.guard.limits import (
    counts_at,
    counts_within,
    device_limits,
    peak_after_trip_rpm,
    trip_speed_rpm,
    weakest_rpm,
)
from leverarm_daemon.records import Build, Calibration, RotatingPart
from support.guarded import BUILD, stand_file

RPM = 30 / math.pi


def build(inertia_kg_m2: float, torque_nm: float, *ratings: float | None) -> Build:
    parts = tuple(RotatingPart(f"part {n}", rating, "invented") for n, rating in enumerate(ratings))
    return Build("b", parts, inertia_kg_m2, torque_nm)


def test_the_weakest_of_all_rotating_parts_counts() -> None:
    assert weakest_rpm(build(0.03, 20, 6000, 4800, 5500)) == 4800


@pytest.mark.parametrize("ratings", [(), (5000, None), (None,)])
def test_an_unknown_rating_is_refused_by_name(ratings: tuple[float | None, ...]) -> None:
    with pytest.raises(Refused, match="rating unknown"):
        weakest_rpm(build(0.03, 20, *ratings))


def test_the_reserve_is_a_revolution_the_relay_and_one_sparked_stroke() -> None:
    """Worked by hand: 4,000 rpm, 26.5 N·m, 0.02 kg·m²: 1,325 rad/s² for 15 + 20 ms, then 2 x 333 J."""
    after_relay = 4000 / RPM + 1325 * 0.035
    by_hand = math.sqrt(after_relay**2 + 2 * 26.5 * 4 * math.pi / 0.02) * RPM
    assert peak_after_trip_rpm(4000, build(0.02, 26.5, 5000), 1.0) == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize("ppr", [0.5, 1.0, 12.0, 60.0, 120.0])
def test_the_interval_that_is_sent_still_keeps_the_peak_below_the_rating(ppr: float) -> None:
    b = build(0.02, 26.5, 6000)
    interval_us = dict(device_limits(stand_file(pickup=PickupSection(ppr)), trip_speed_rpm(b, ppr), True))["trip_us"]
    assert peak_after_trip_rpm(60e6 / (interval_us * ppr), b, ppr) <= 6000


@pytest.mark.parametrize("inertia", [0.02, 0.04, 0.1, 0.25])
@pytest.mark.parametrize("ppr", [0.5, 1.0, 12.0])
def test_from_the_trip_speed_the_peak_stays_below_the_rating_and_no_more_is_given_away(
    inertia: float, ppr: float
) -> None:
    b = build(inertia, 26.5, 5000)
    trip = trip_speed_rpm(b, ppr)
    assert peak_after_trip_rpm(trip, b, ppr) <= 5000 < peak_after_trip_rpm(trip + 2, b, ppr)


def test_a_flywheel_too_light_for_its_rating_is_refused() -> None:
    with pytest.raises(Refused, match="no trip speed is low enough"):
        trip_speed_rpm(build(0.001, 26.5, 3600), 1.0)


def test_limits_in_device_units_are_whole_and_never_early() -> None:
    limits = dict(device_limits(stand_file(), 4700.0, shield_fitted=True))
    assert limits["trip_us"] == math.ceil(60e6 / 4700)
    assert limits["cap_us"] == 20_000
    assert limits["slow_us"] == 60_000
    assert limits["age_ms"] == 100
    assert limits["shield"] == 1


def test_the_start_cap_never_lies_above_the_trip_speed() -> None:
    limits = dict(device_limits(stand_file(), 2000.0, shield_fitted=False))
    assert limits["cap_us"] == limits["trip_us"]
    assert limits["shield"] == 0


def test_a_weaker_part_lowers_the_trip_speed() -> None:
    assert trip_speed_rpm(build(0.035, 19, 4000), 1.0) < trip_speed_rpm(BUILD, 1.0) - 900


@pytest.mark.parametrize("coefficients", [(-8.4, 1e-4), (2.0, -3e-4, 1e-12), (0.5, 2e-4, -1e-12, 3e-19)])
@pytest.mark.parametrize("force_n", [-220.0, 0.0, 37.5, 220.0])
def test_counts_at_a_force_are_the_inverse_of_the_calibration(coefficients: tuple[float, ...], force_n: float) -> None:
    counts = counts_at(Calibration(coefficients, "2026-01-01", "2027-01-01"), force_n)
    assert sum(c * counts**n for n, c in enumerate(coefficients)) == pytest.approx(force_n, abs=1e-9)


@pytest.mark.parametrize("coefficients", [(0.0, 1e-3, -1e-9), (0.0, 1e-4, 0.0, -1e-18)])
def test_a_calibration_that_bends_back_is_refused(coefficients: tuple[float, ...]) -> None:
    with pytest.raises(RefuseToStart, match=r"load\.calibration"):
        counts_within(Calibration(coefficients, "2026-01-01", "2027-01-01"), 2000.0)


def test_the_counts_of_a_falling_calibration_are_in_order() -> None:
    low, high = counts_within(Calibration((5.0, -1e-3), "2026-01-01", "2027-01-01"), 220.0)
    assert low == pytest.approx(-215_000)
    assert high == pytest.approx(225_000)


def test_a_flat_calibration_is_refused() -> None:
    with pytest.raises(RefuseToStart, match="coefficient"):
        counts_at(Calibration((1.0, 0.0), "2026-01-01", "2027-01-01"), 5.0)
