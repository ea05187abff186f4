"""The world against sums that can be done by hand."""

import math
from itertools import pairwise

import pytest

from leverarm_simulators.engine import STEPS_PER_CYCLE, full_load_nm
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.world import RPM, World
from support.sim import Tape, alone, world

NO_RIPPLE = ("engine.compression_ratio=1.000001", "engine.pumping_nm=0.0", "engine.friction_nm_per_krpm=0.0")
WIDE_OPEN = ("engine.governor_rpm=90000.0",)


def rpm_of(tape: Tape) -> list[float]:
    return [60e6 / (b - a) for a, b in pairwise(tape.edges)]


def run_until(sim: World, done_rpm: float) -> float:
    """Advance until it is slower than this; gives the time taken in seconds."""
    while sim.speed_rpm > done_rpm:
        sim.advance(sim.now_us + 1000.0)
    return sim.now_us / 1e6


def test_coast_down_under_constant_torque() -> None:
    """J dw / T: 0.035 x 2000 rpm / 2 N.m = 3.665 s."""
    sim, tape = alone(*NO_RIPPLE, "engine.friction_nm=2.0")
    sim.spin(3000.0)
    assert run_until(sim, 1000.0) == pytest.approx(0.035 * (2000 / RPM) / 2.0, abs=0.01)
    assert rpm_of(tape)[0] == pytest.approx(3000.0, rel=0.01)


def test_edge_times_are_exact_to_the_microsecond() -> None:
    """Slowing steadily by a = T / J, one turn from w takes (w - sqrt(w^2 - 4 pi a)) / a."""
    sim, tape = alone(*NO_RIPPLE, "engine.friction_nm=21.0")
    sim.spin(3000.0)
    sim.advance(0.3e6)
    a, w = 21.0 / 0.035, 3000.0 / RPM
    by_hand_us = [(w - math.sqrt(w * w - 4 * math.pi * n * a)) / a * 1e6 for n in range(1, 11)]
    assert tape.edges[:10] == pytest.approx(by_hand_us, abs=1.5)


def test_freed_engine_gains_what_torque_over_inertia_says() -> None:
    """26.5 N.m on 0.02 kg.m2 is 12,653 rpm a second (round check figure of the brake's safety sums)."""
    sim, _ = alone(
        *NO_RIPPLE, *WIDE_OPEN, "engine.friction_nm=0.0", "engine.peak_torque_nm=26.5", "engine.roundness=1e-9",
        "engine.choke_rpm=90000.0", "engine.cycle_scatter=0.0", "engine.drift_per_k=0.0", "rotor.inertia_kg_m2=0.02",
    )
    sim.set_run(True)
    sim.spin(6000.0)
    for _ in range(60 * STEPS_PER_CYCLE):
        sim._finish_step()
    assert (sim.speed_rpm - 6000.0) / (sim.now_us / 1e6) == pytest.approx(12_653, rel=0.02)
    work_j = 0.02 * (sim.speed_rad_s**2 - (6000.0 / RPM) ** 2) / 2
    assert work_j == pytest.approx(26.5 * 60 * 4 * math.pi, rel=1e-6)


def test_energy_balance_over_a_whole_campaign_of_pulls() -> None:
    sim, _ = world(load_scenario("air_filter"))
    sim.set_run(True)
    for until_s in range(1, 15):
        sim.advance(until_s * 1e6)
        kinetic_j = 0.035 * sim._next_rad_s**2 / 2
        assert sim.engine_j + sim.cord_j - sim.brake_j == pytest.approx(kinetic_j, abs=1e-3)
    assert sim.brake_j > 10_000


def test_pulsation_shows_in_the_edges() -> None:
    sim, tape = alone(*WIDE_OPEN, "engine.cycle_scatter=0.0")
    sim.set_run(True)
    sim.spin(3000.0)
    for _ in range(200):
        sim.brake.pull_n = 1.0
        sim.brake.pull_n = full_load_nm(sim.scenario.engine, sim.speed_rpm) / sim.brake.torque_nm
        sim._finish_step()
    speeds = rpm_of(tape)
    steps = [b - a for a, b in pairwise(speeds)]
    assert all(a * b < 0 for a, b in pairwise(steps)), "each turn unlike the one before"
    assert 20 < max(map(abs, steps)) < 300


def test_cord_start_is_uneven_and_then_runs_by_itself() -> None:
    sim, tape = world(load_scenario("air_filter"))
    sim.advance(3e6)
    assert sim.speed_rpm == 0.0, "nobody pulls before the lamp is lit"
    sim.set_run(True)
    sim.advance(3.5e6)
    speeds = rpm_of(tape)
    assert 400 < speeds[0] < speeds[3] < 1500
    gains = [b - a for a, b in pairwise(speeds[:5])]
    assert max(gains) > 2 * min(gains)
    sim.advance(5.3e6)
    assert 1400 < sim.tacho_rpm < 1800
    assert sim.operator.hands.shield_shut


def test_cord_without_ignition_only_turns_it() -> None:
    sim, tape = world(load_scenario("air_filter", ("engine.fires_above_rpm=5000.0",)))
    sim.set_run(True)
    sim.advance(2.9e6)
    assert 500 < max(rpm_of(tape)) < 1100
    sim.advance(5e6)
    assert sim.engine.fired == 0
    assert sim.operator.hands.cords > 1, "the person tries again"


def test_overloaded_engine_stalls_and_stays() -> None:
    sim, tape = alone()
    sim.set_run(True)
    sim.spin(1700.0)
    sim.advance(1e6)
    sim.operator.hands.strap_n = 200.0
    sim.advance(3e6)
    assert sim.speed_rpm == 0.0
    edges = len(tape.edges)
    sim.operator.hands.strap_n = 0.0
    sim.advance(6e6)
    assert sim.speed_rpm == 0.0
    assert len(tape.edges) == edges


def test_relay_takes_its_time_to_drop_and_then_it_coasts_down() -> None:
    sim, _ = alone()
    sim.set_run(True)
    sim.spin(1700.0)
    sim.advance(1e6)
    sim.set_run(False)
    sim.advance(1.007e6)
    assert sim.engine.ignition
    sim.advance(1.009e6)
    assert not sim.engine.ignition
    assert 1.5 < run_until(sim, 0.0) < 6.0


def test_speed_reading_of_the_load_cell_is_the_mean_force() -> None:
    sim, tape = alone("cell.noise_n=0.0", "cell.drift_per_h=0.0")
    sim.operator.hands.strap_n = 20.0
    sim.set_run(True)
    sim.spin(2500.0)
    sim.advance(0.2e6)
    us, count = tape.loads[-1]
    assert us % 12_500 == 0
    force_n = (count - sim.scenario.cell.offset_counts) / 10_000
    assert force_n == pytest.approx(sim.brake.torque_nm / 0.30, rel=1e-4)


def test_broken_strap_holds_nothing() -> None:
    sim, _ = alone()
    sim.operator.hands.strap_n = 20.0
    sim.set_run(True)
    sim.spin(2500.0)
    sim.advance(0.1e6)
    assert sim.brake.torque_nm > 3
    sim.operator.hands.strap_whole = False
    sim.advance(0.2e6)
    assert sim.brake.torque_nm == 0.0


def test_inputs_tell_shield_key_and_throttle() -> None:
    sim, _ = alone()
    assert sim.inputs() == ("loop",)
    hands = sim.operator.hands
    hands.shield_shut = hands.key = True
    hands.opening = 1.0
    assert sim.inputs() == ("loop", "shield", "key", "throttle")


def test_a_dead_pickup_says_nothing() -> None:
    sim, tape = alone()
    sim.pickup = False
    sim.spin(2500.0)
    sim.advance(0.2e6)
    assert tape.edges == []
    assert sim.speed_rpm > 1000


def test_equal_seeds_give_equal_worlds() -> None:
    tapes = []
    for seed in (1, 1, 2):
        sim, tape = world(load_scenario("air_filter"), seed)
        sim.set_run(True)
        sim.advance(10e6)
        tapes.append(tape)
    assert tapes[0].edges == tapes[1].edges
    assert tapes[0].loads == tapes[1].loads
    assert tapes[0].edges != tapes[2].edges
    assert len(tapes[0].edges) > 100


def test_small_and_large_advances_are_the_same_world() -> None:
    coarse, coarse_tape = world(load_scenario("air_filter"))
    fine, fine_tape = world(load_scenario("air_filter"))
    coarse.set_run(True)
    fine.set_run(True)
    coarse.advance(9e6)
    for k in range(1, 1801):
        fine.advance(k * 5000.0)
    assert fine_tape.edges == coarse_tape.edges
    assert fine_tape.loads == coarse_tape.loads


def test_pulls_scatter_and_filters_differ_as_the_scenario_says() -> None:
    sim, _ = world(load_scenario("air_filter", ("engine.pull_scatter=0.0", "engine.drift_per_k=0.0")))
    sim.set_run(True)
    sim.advance(7e6)
    (truth,) = sim.truth
    assert (truth.build, truth.factor, truth.torque_nm) == ("paper", 1.0, 18.5)
