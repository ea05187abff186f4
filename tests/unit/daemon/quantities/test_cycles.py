from dataclasses import replace
from itertools import pairwise

import pytest

from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.quantities.cycles import CycleAverager, Impulse
from leverarm_daemon.records import CurvePoint
from support.turning import Turning, feed

STEADY = Turning(sweep_rpm_s=0.0, start_rpm=3000.0, seconds=3.0)


def mean_torque(points: list[CurvePoint]) -> float:
    return sum(point.torque_nm for point in points) / len(points)


def test_a_steady_engine_gives_what_the_arithmetic_gives() -> None:
    points = STEADY.points()
    assert len(points) == 10        # seven cycles of 40 ms are the fewest that last 250 ms
    for point in points:
        assert point.speed_rpm == pytest.approx(3000, rel=1e-6)
        assert point.force_n == pytest.approx(36.0)
        assert point.brake_torque_nm == pytest.approx(18.0)
        assert point.inertia_torque_nm == pytest.approx(0.0, abs=0.02)
        assert point.power_kw == pytest.approx(18 * 314.159265 / 1000, rel=2e-3)
        assert point.cycles == 7


def test_windows_follow_without_a_gap_and_stand_at_their_middle() -> None:
    middles = [point.device_us for point in STEADY.points()]
    assert middles[0] == pytest.approx(20_000 + 20_000 + 140_000, abs=2)
    assert [b - a for a, b in pairwise(middles)] == pytest.approx([280_000] * 9, abs=2)


@pytest.mark.parametrize("sweep_rpm_s", [-600.0, -300.0, 300.0, 600.0])
@pytest.mark.parametrize("inertia_kg_m2", [0.02, 0.25])
def test_a_sweep_does_not_bias_torque(sweep_rpm_s: float, inertia_kg_m2: float) -> None:
    start_rpm = 3600.0 if sweep_rpm_s < 0 else 1800.0
    points = Turning(sweep_rpm_s=sweep_rpm_s, inertia_kg_m2=inertia_kg_m2, start_rpm=start_rpm, seconds=3.0).points()
    assert mean_torque(points) == pytest.approx(18.0, rel=2e-4)
    for point in points:
        assert point.torque_nm == pytest.approx(18.0, rel=1e-3)
        assert point.inertia_torque_nm == pytest.approx(inertia_kg_m2 * sweep_rpm_s * 0.104720, rel=0.005)
        assert point.power_kw == pytest.approx(18.0 * point.speed_rpm / 9549.3, rel=1e-3)


@pytest.mark.parametrize("load_hz", [80.0, 1000.0])
def test_pulsation_does_not_bias_torque(load_hz: float) -> None:
    points = Turning(torque_swing=1.5, speed_swing=0.03, load_hz=load_hz).points()
    assert mean_torque(points) == pytest.approx(18.0, rel=1e-3)


def test_a_fast_load_cell_sees_no_pulsation_in_any_window() -> None:
    for point in Turning(torque_swing=1.5, speed_swing=0.03, load_hz=1000.0).points():
        assert point.torque_nm == pytest.approx(18.0, rel=1e-3)


def test_a_window_is_never_shorter_than_asked() -> None:
    for min_s in (0.1, 0.5, 1.0):
        for point in STEADY.points(min_s):
            assert point.cycles * 0.04 >= min_s > (point.cycles - 1) * 0.04


def test_load_in_batches_gives_the_same_points() -> None:
    edges = [event for event in STEADY.events() if event[2] == "edge"]
    loads = [event for event in STEADY.events() if event[2] == "load"]
    late = list(feed(STEADY.averager(), edges[:40] + loads[:70] + edges[40:80] + loads[70:140]))
    assert late == STEADY.points()[:len(late)]
    assert len(late) == 5


def test_edges_a_little_later_than_the_load_give_the_same_points() -> None:
    late = sorted(STEADY.events(), key=lambda event: event[0] + 30_000 * (event[2] == "edge"))
    assert list(feed(STEADY.averager(), late)) == STEADY.points()


def test_edges_before_any_load_give_nothing_until_load_covers_a_window() -> None:
    averager = STEADY.averager()
    points = list(feed(averager, [e for e in STEADY.events() if e[2] == "edge" or e[0] > 1_000_000]))
    assert points == [point for point in STEADY.points() if point.device_us - 140_000 > 1_020_000]


def test_without_load_nothing_piles_up() -> None:
    averager = STEADY.averager()
    for number in range(1, 100_000):
        assert averager.edge(number * 20_000, number) == ()
    assert len(averager.crank.marks) < 20
    assert len(averager._waiting) < 20


def test_without_edges_nothing_comes() -> None:
    averager = STEADY.averager()
    assert list(feed(averager, [event for event in STEADY.events() if event[2] == "load"])) == []


@pytest.mark.parametrize("hole", ["missing", "failed", "nan"])
def test_a_hole_in_the_load_costs_its_window_and_no_other(hole: str) -> None:
    averager = STEADY.averager()
    points: list[CurvePoint] = []
    for device_us, what, kind in STEADY.events():
        if kind == "edge":
            points += averager.edge(device_us, int(what))
        elif not 1_000_000 < device_us < 1_010_000:      # one sample
            points += averager.load(device_us, what)
        elif hole != "missing":
            points += averager.load(device_us, None if hole == "failed" else float("nan"))
    whole = STEADY.points()
    assert [p.device_us for p in points] == [p.device_us for p in whole if abs(p.device_us - 1_010_000) > 150_000]


def test_a_lost_edge_costs_a_window_but_no_truth() -> None:
    events = [event for event in Turning().events() if event[1:] != (60, "edge")]
    points = list(feed(Turning().averager(), events))
    assert len(Turning().points()) - 2 <= len(points) < len(Turning().points())
    for point in points:
        assert point.torque_nm == pytest.approx(18.0, rel=1e-3)


def test_a_stall_and_a_new_start_give_no_window_across_the_gap() -> None:
    first, gap_us = STEADY.events(), 5_000_000
    count = sum(event[2] == "edge" for event in first)
    again = [(us + gap_us, what + count if kind == "edge" else what, kind) for us, what, kind in first]
    averager = STEADY.averager()
    points = list(feed(averager, first)) + list(feed(averager, again))
    assert len(points) >= 2 * len(STEADY.points()) - 1
    for point in points:
        assert point.speed_rpm == pytest.approx(3000, rel=1e-6)
        assert point.torque_nm == pytest.approx(18.0, rel=1e-3)


def test_a_restarted_front_end_begins_anew() -> None:
    averager = STEADY.averager()
    list(feed(averager, [e for e in STEADY.events() if e[2] == "edge"]))      # windows wait for load
    assert list(feed(averager, STEADY.events())) == STEADY.points()


def test_time_that_runs_back_is_a_new_beginning() -> None:
    averager, other = STEADY.averager(), replace(STEADY, torque_nm=9.0)
    assert list(feed(averager, STEADY.events())) == STEADY.points()
    assert list(feed(averager, other.events())) == other.points()


def test_a_belt_ratio_divides_the_brake_torque() -> None:
    averager = CycleAverager(arm_m=0.5, inertia_kg_m2=0.0, pulses_per_rev=1.0, load_hz=80.0, belt_ratio=2.0)
    for point in feed(averager, STEADY.events()):
        assert point.torque_nm == pytest.approx(9.0)
        assert point.speed_rpm == pytest.approx(3000)


@pytest.mark.parametrize(
    ("changes", "word"),
    [({"min_s": 0.0}, "min_s is 0"), ({"load_hz": 0.0}, "load_hz is 0"), ({"pulses_per_rev": 0.7}, "pulses_per_rev")],
)
def test_figures_that_cannot_work_are_refused(changes: dict[str, float], word: str) -> None:
    figures = {"arm_m": 0.5, "inertia_kg_m2": 0.1, "pulses_per_rev": 1.0, "load_hz": 80.0} | changes
    with pytest.raises(RefuseToStart, match=word):
        CycleAverager(**figures)


class TestImpulse:
    def fed(self) -> Impulse:
        impulse = Impulse(80.0)
        for k, newtons in enumerate((0.0, 10.0, 30.0, 20.0)):
            impulse.add(k * 10_000, newtons)
        return impulse

    def test_a_sample_is_the_mean_since_the_one_before(self) -> None:
        assert self.fed().mean_n(0 + 1, 30_000) == pytest.approx(20.0, rel=1e-3)
        assert self.fed().mean_n(10_000, 20_000) == pytest.approx(30.0)

    def test_boundaries_cut_samples_by_overlap(self) -> None:
        assert self.fed().mean_n(5_000, 15_000) == pytest.approx((10 + 30) / 2)
        assert self.fed().mean_n(17_500, 30_000) == pytest.approx((0.25 * 30 + 20) / 1.25)

    def test_before_the_first_sample_nothing_is_known(self) -> None:
        assert self.fed().mean_n(-1, 20_000) is None

    def test_a_repeated_sample_counts_once(self) -> None:
        impulse = self.fed()
        impulse.add(30_000, 1e6)
        assert impulse.mean_n(20_000, 30_000) == pytest.approx(20.0)
