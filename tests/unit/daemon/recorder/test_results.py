"""How far a pull may be trusted: good, or suspect with every reason."""

from collections.abc import Sequence
from typing import Any

import msgspec
import pytest

from leverarm_daemon.config import EngineSection, StandFile
from leverarm_daemon.recorder.results import Gauges, inertia_trust
from leverarm_daemon.records import CurvePoint, Quality, Value
from support.samples import BUILD, STAND

SPAN_US = 280_000       # seven cycles at 3,000 rpm
ENGINE = EngineSection("pump engine, 270 cc (invented)", 4, 270.0)


def points(torques_nm: Sequence[float] = (14.0,) * 12, **changes: Any) -> list[CurvePoint]:
    """Give points whose windows follow one another without a gap."""
    point = CurvePoint(0, 3000.0, 50.0, 15.0, -1.0, 14.0, 4.398, 7)
    return [
        msgspec.structs.replace(point, device_us=k * SPAN_US, torque_nm=torque_nm, **changes)
        for k, torque_nm in enumerate(torques_nm)
    ]


def doubts(curve: Sequence[CurvePoint], stand: StandFile = STAND, guards_build: str | None = None) -> str:
    """Give the reasons why a pull is suspect; empty when it is good."""
    gauges = Gauges(stand)
    gauges.today, gauges.inertia = "2026-01-01", inertia_trust(BUILD, guards_build)
    quality, reasons = gauges.trust(curve)
    assert quality is (Quality.SUSPECT if reasons else Quality.GOOD)
    return "; ".join(reasons)


def with_engine(**changes: Any) -> StandFile:
    return msgspec.structs.replace(STAND, engine=msgspec.structs.replace(ENGINE, **changes))


def test_a_sound_pull_is_good() -> None:
    assert doubts(points()) == ""
    assert doubts(points(), with_engine(), BUILD.name) == ""


@pytest.mark.parametrize("force_n", [501.0, -501.0])
def test_a_force_beyond_the_cells_rating_is_told(force_n: float) -> None:
    curve = points()
    assert doubts([*curve, msgspec.structs.replace(curve[-1], device_us=12 * SPAN_US, force_n=force_n)]) == (
        "beyond the load cell's rating"
    )


@pytest.mark.parametrize("lost", [1, 4])
def test_a_hole_is_told_with_its_length(lost: int) -> None:
    curve = points()
    assert doubts(curve[:5] + curve[5 + lost :]) == (
        f"lines are missing: nothing was measured for {lost * SPAN_US / 1e6:.1f} s"
    )


def test_slow_cycles_alone_are_no_hole() -> None:
    curve = points(speed_rpm=300.0, cycles=1)
    assert doubts([msgspec.structs.replace(p, device_us=k * 400_000) for k, p in enumerate(curve)]) == ""


@pytest.mark.parametrize(
    ("torque_nm", "engine", "told"),
    [
        (22.0, {}, ""),
        (22.5, {}, "beyond belief: mean effective pressure 1047 kPa"),
        (-0.5, {}, "beyond belief: mean effective pressure -23 kPa"),
        (22.5, {"displacement_cc": 300.0}, ""),
        (22.5, {"displacement_cc": None}, ""),
        (22.5, {"strokes": 2}, ""),
    ],
)
def test_a_torque_that_such_an_engine_cannot_give_is_told(torque_nm: float, engine: dict[str, Any], told: str) -> None:
    curve = points((torque_nm - 2.0, torque_nm, torque_nm - 5.0))
    assert doubts(curve, with_engine(**engine)).startswith(told)
    assert bool(doubts(curve, with_engine(**engine))) is bool(told)


def test_another_build_than_the_guards_is_told() -> None:
    assert doubts(points(), guards_build="foam") == (
        "the guard has build 'foam', recorded is 'paper filter': select the build again"
    )


def test_every_reason_is_told() -> None:
    curve = points((14.0, 23.0, 14.0, 14.0), force_n=600.0)
    assert doubts(curve[:2] + curve[3:], with_engine(), "foam").count("; ") == 3


def test_at_standstill_torque_is_force_times_arm_and_raw_counts_are_shown() -> None:
    """A known mass on the arm is how a person checks the calibration before there is fuel."""
    stand = STAND
    gauges = Gauges(stand)
    for n in range(20):
        gauges.load(n * 12_500, 1_000_000 + n, 100.0)
    values = gauges.values(250_000, Value(0.0, "rpm"))
    assert values["torque_nm"].value == pytest.approx(100.0 * stand.brake.arm_m / stand.brake.belt_ratio)
    assert values["torque_nm"].reason == "stands still: force times arm"
    assert values["load_counts"].value == 1_000_019
    turning = gauges.values(250_000, Value(3000.0, "rpm"))
    assert turning["torque_nm"].value is None
