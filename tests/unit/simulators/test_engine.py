"""The engine against sums that can be done by hand."""

import math
import random

import pytest

from leverarm_simulators.engine import (
    STEPS_PER_CYCLE,
    STEPS_PER_REV,
    Engine,
    compression_shape,
    drag_nm,
    filling,
    full_load_nm,
    gas_shape,
    idle_opening,
    peaks,
    shaft_nm,
)
from leverarm_simulators.scenario import EngineSpec

SPEC = EngineSpec()
STEADY = EngineSpec(cycle_scatter=0.0)


def cycle(engine: Engine, speed_rpm: float) -> list[float]:
    return [engine.torque_nm(speed_rpm) for _ in range(STEPS_PER_CYCLE)]


def running(spec: EngineSpec, opening: float = 1.0, seed: int = 1) -> Engine:
    engine = Engine(spec, random.Random(seed))
    engine.ignition = True
    engine.opening = opening
    return engine


@pytest.mark.parametrize("speed_rpm", [1500.0, 2600.0, 3500.0, 4200.0])
def test_mean_over_720_degrees_is_the_full_load_curve(speed_rpm: float) -> None:
    mean = sum(cycle(running(STEADY), speed_rpm)) / STEPS_PER_CYCLE
    assert mean == pytest.approx(full_load_nm(SPEC, speed_rpm), rel=1e-9)


def test_a_filter_changes_shaft_torque_by_its_factor() -> None:
    engine = running(STEADY)
    engine.factor = 0.975
    assert sum(cycle(engine, 2600.0)) / STEPS_PER_CYCLE == pytest.approx(0.975 * 18.5, rel=1e-9)


def test_curve_is_that_of_the_scenario() -> None:
    torque_nm, power_kw = peaks(SPEC, 1.0)
    assert torque_nm == 18.5
    assert power_kw == pytest.approx(6.0, abs=0.05)
    assert full_load_nm(SPEC, 2600.0) == 18.5
    assert full_load_nm(SPEC, 2300.0) < 18.5 > full_load_nm(SPEC, 2900.0)
    assert full_load_nm(SPEC, 9000.0) == 0.0


def test_power_and_pumping_revolutions_differ() -> None:
    torques = cycle(running(STEADY), 3000.0)
    pumping, power = torques[:STEPS_PER_REV], torques[STEPS_PER_REV:]
    assert sum(pumping) < 0 < sum(power)
    assert max(torques) > 5 * full_load_nm(SPEC, 3000.0)


def test_compression_gives_back_what_it_took() -> None:
    torques = cycle(Engine(STEADY, random.Random(1)), 3000.0)
    opening = idle_opening(SPEC)
    drag = drag_nm(SPEC, 3000.0, filling(SPEC, opening, 3000.0))
    assert sum(torques) / STEPS_PER_CYCLE == pytest.approx(-drag)
    assert min(torques) < -2 * drag


def test_gas_expands_from_the_top() -> None:
    shape = gas_shape(SPEC)
    assert sum(shape) == pytest.approx(STEPS_PER_CYCLE)
    assert shape.index(max(shape)) < 3
    assert all(value > 0 for value in compression_shape(SPEC))


def test_compression_work_is_that_of_a_polytropic() -> None:
    """W = p V1 / (n - 1) (r^(n-1) - 1) - p (V1 - V2), by hand for 270 cc, 8.5 to 1."""
    swept = 270e-6
    bottom = swept * 8.5 / 7.5
    by_hand = 1e5 * bottom / 0.3 * (8.5**0.3 - 1) - 1e5 * swept
    work = sum(compression_shape(SPEC)) * math.radians(20)
    assert work == pytest.approx(by_hand, rel=0.05)


def test_each_cycle_is_drawn_anew() -> None:
    engine = running(SPEC)
    means = [sum(cycle(engine, 2600.0)) / STEPS_PER_CYCLE for _ in range(2000)]
    mean = sum(means) / len(means)
    sd = math.sqrt(sum((m - mean) ** 2 for m in means) / (len(means) - 1))
    gas = 18.5 + drag_nm(SPEC, 2600.0, 1.0)
    assert mean == pytest.approx(18.5, rel=0.005)
    assert sd == pytest.approx(0.03 * gas, rel=0.06)


def test_idle_is_steady_without_load() -> None:
    opening = idle_opening(SPEC)
    assert shaft_nm(SPEC, opening, 1700.0) == pytest.approx(0.0, abs=1e-6)
    assert shaft_nm(SPEC, opening, 1500.0) > 0 > shaft_nm(SPEC, opening, 1900.0)


def test_governor_shuts_the_throttle_about_its_speed() -> None:
    engine = running(EngineSpec(cycle_scatter=0.0, governor_rpm=3000.0), opening=0.0)
    assert sum(cycle(engine, 2800.0)) == pytest.approx(STEPS_PER_CYCLE * full_load_nm(SPEC, 2800.0))
    assert sum(cycle(engine, 3200.0)) < 0


def test_stroke_that_fired_completes() -> None:
    engine, cut = running(STEADY), running(STEADY)
    whole = cycle(engine, 3000.0)
    torques = [cut.torque_nm(3000.0) for _ in range(STEPS_PER_REV + 1)]
    cut.ignition = False
    torques += [cut.torque_nm(3000.0) for _ in range(STEPS_PER_REV - 1)]
    assert torques == whole
    assert sum(cycle(cut, 3000.0)) < 0
    assert cut.fired == 1


def test_ignition_cut_before_the_spark_stops_that_stroke() -> None:
    engine = running(STEADY)
    torques = [engine.torque_nm(3000.0) for _ in range(STEPS_PER_REV)]
    engine.ignition = False
    torques += [engine.torque_nm(3000.0) for _ in range(STEPS_PER_REV)]
    assert sum(torques) / STEPS_PER_CYCLE == pytest.approx(-drag_nm(SPEC, 3000.0, 1.0))
    assert engine.fired == 0


def test_does_not_fire_too_slowly_or_without_fuel() -> None:
    engine = running(STEADY)
    cycle(engine, 200.0)
    assert engine.fired == 0
    engine.fuel = False
    engine.burn_fuel(29.0, 1700.0)
    cycle(engine, 1700.0)
    assert engine.fired == 1, "the bowl holds half a minute of fuel"
    engine.burn_fuel(2.0, 1700.0)
    cycle(engine, 1700.0)
    assert engine.fired == 1
    engine.fuel = True
    engine.burn_fuel(0.1, 1700.0)
    cycle(engine, 1700.0)
    assert engine.fired == 2
