"""Pulls are told from everything else that happens on a stand, by speed and torque alone."""

import random
from collections.abc import Iterable, Iterator

import pytest

from leverarm_daemon.config import PullsSection
from leverarm_daemon.recorder.pulls import TABLE, Found, Phase, PullDetector, Sign
from leverarm_daemon.records import CurvePoint
from leverarm_daemon.units import rad_s_from_rpm

STEP_S = 0.25
INERTIA_KG_M2 = 0.02
BEST_NM = 16.0

Leg = tuple[float, float, float]
"""Seconds, the speed at its end, and the engine's own torque."""


def points(start_rpm: float, *legs: Leg, scatter: float = 0.0, seed: int = 1) -> Iterator[CurvePoint]:
    """Give curve points along straight legs; the brake holds what the engine gives and the wheel gives back."""
    rng = random.Random(seed)
    speed_rpm, at_us = start_rpm, 1_000_000
    for lasts_s, end_rpm, engine_nm in legs:
        steps = round(lasts_s / STEP_S)
        change_rpm = (end_rpm - speed_rpm) / steps
        inertia_nm = INERTIA_KG_M2 * rad_s_from_rpm(change_rpm) / STEP_S
        for _ in range(steps):
            speed_rpm += change_rpm
            at_us += round(STEP_S * 1e6)
            torque_nm = engine_nm * (1 + rng.gauss(0.0, scatter))
            shown_rpm = speed_rpm * (1 + rng.gauss(0.0, scatter / 10))
            brake_nm = max(0.0, torque_nm - inertia_nm)
            shaft_nm = brake_nm + inertia_nm
            yield CurvePoint(at_us, shown_rpm, brake_nm / 0.3, brake_nm, inertia_nm, shaft_nm, 0.0, 7)


def find(
    stream: Iterable[CurvePoint], throttle_open: bool | None = None, best_nm: float = BEST_NM
) -> list[Found]:
    detector = PullDetector(PullsSection(), best_nm)
    found = [detector.take(point, throttle_open) for point in stream]
    found.append(detector.pause(10**12))
    return [one for one in found if one is not None]


IDLE: Leg = (4.0, 1800.0, 1.0)
TOP: Leg = (3.0, 3600.0, 3.0)
PULL: Leg = (6.0, 2000.0, 15.0)
LET_GO: Leg = (0.25, 3600.0, 13.0)      # all that the engine gives speeds up the wheel
STEADY: Leg = (60.0, 3000.0, 14.0)

PULL_LEGS = (IDLE, TOP, PULL, LET_GO, TOP)


def test_a_pull_is_found_with_its_ends() -> None:
    (found,) = find(points(1800.0, *PULL_LEGS))
    assert (found.kind, found.ended_by, found.reasons) == ("pull", "release", ())
    assert found.points[0].speed_rpm == pytest.approx(3600.0)
    assert found.points[0].device_us == 8_000_000
    assert found.points[-1].speed_rpm == pytest.approx(2000.0)
    assert found.points[-1].device_us == 14_000_000


@pytest.mark.parametrize("seed", range(20))
def test_scatter_from_cycle_to_cycle_hides_no_pull_and_makes_none(seed: int) -> None:
    found = find(points(1800.0, *PULL_LEGS * 3, scatter=0.05, seed=seed))
    assert [one.kind for one in found] == ["pull"] * 3


def test_a_long_hold_at_the_top_is_not_part_of_the_fall() -> None:
    hold: Leg = (20.0, 3600.0, 15.0)
    (found,) = find(points(3600.0, hold, PULL, LET_GO, scatter=0.02))
    assert found.kind == "pull"
    assert found.points[-1].device_us - found.points[0].device_us < 8e6


@pytest.mark.parametrize(
    ("name", "legs"),
    [
        ("cord start", ((1.0, 900.0, 8.0), (1.0, 2500.0, 6.0), IDLE)),
        ("throttle blip", (IDLE, (0.5, 4500.0, 15.0), (3.0, 1800.0, -2.0), IDLE)),
        ("coast-down, strap slack", (TOP, (6.0, 300.0, -2.0))),
        ("coast-down on the brake after the cut", (TOP, (4.0, 300.0, -3.0))),
        ("quick release and grip", (TOP, (3.0, 3000.0, 14.0), (0.25, 3700.0, 5.0), (0.75, 3000.0, 14.0), STEADY)),
        ("steady load", (TOP, (2.0, 3000.0, 14.0), STEADY)),
        ("wiggles", ((2.0, 3200.0, 14.0), (2.0, 2800.0, 14.0)) * 8),
        ("slow drift down", ((60.0, 1800.0, 14.0),)),
    ],
)  # fmt: skip
@pytest.mark.parametrize("seed", range(5))
def test_what_is_no_pull_makes_none(name: str, legs: tuple[Leg, ...], seed: int) -> None:
    found = find(points(1800.0 if name != "slow drift down" else 3600.0, *legs, scatter=0.03, seed=seed))
    assert [one for one in found if one.kind == "pull"] == []


@pytest.mark.parametrize(
    ("fall", "reason"),
    [
        ((4.0, 2700.0, 15.0), "speed fell by 900 rpm only"),
        ((2.0, 2000.0, 15.0), "lasted 2.0 s only"),
    ],
)
def test_a_short_one_is_kept_as_such_with_its_reason(fall: Leg, reason: str) -> None:
    (found,) = find(points(1800.0, IDLE, TOP, fall, LET_GO))
    assert found.kind == "short"
    assert reason in found.reasons[0]


def test_the_limits_of_a_pull() -> None:
    cases = ((1210, 3.5, "pull"), (1190, 3.5, "short"), (1300, 3.0, "pull"), (1300, 2.5, "short"))
    for fall_rpm, lasts_s, kind in cases:
        (found,) = find(points(3600.0, TOP, (lasts_s, 3600.0 - fall_rpm, 15.0), LET_GO))
        assert (fall_rpm, lasts_s, found.kind) == (fall_rpm, lasts_s, kind)


def test_a_fall_that_never_ends_is_given_up_once() -> None:
    (found,) = find(points(4000.0, (1.0, 4000.0, 15.0), (30.0, 1400.0, 15.0)))
    assert (found.kind, found.ended_by) == ("short", "too long")
    assert "not over after 15 s" in found.reasons[0]


def test_recovery_under_load_ends_at_the_lowest() -> None:
    (found,) = find(points(3600.0, TOP, PULL, (2.0, 2600.0, 15.0), (3.0, 2600.0, 15.0)))
    assert (found.kind, found.ended_by) == ("pull", "recovery")
    assert found.points[-1].speed_rpm == pytest.approx(2000.0)


def test_a_stall_ends_a_pull() -> None:
    (found,) = find(points(3600.0, TOP, (6.0, 900.0, 12.0)))
    assert (found.kind, found.ended_by) == ("pull", "stall")


def test_a_strap_that_slips_for_a_moment_does_not_cut_a_pull_in_two() -> None:
    slip = list(points(3600.0, TOP, PULL, LET_GO))
    at = next(k for k, point in enumerate(slip) if point.speed_rpm < 2800)
    slip[at] = CurvePoint(slip[at].device_us, slip[at].speed_rpm, 3.0, 1.0, -1.0, 0.0, 0.0, 7)
    assert [one.kind for one in find(slip)] == ["pull"]


def test_a_shut_throttle_switch_is_no_pull() -> None:
    assert find(points(1800.0, *PULL_LEGS), throttle_open=False) == []
    assert len(find(points(1800.0, *PULL_LEGS), throttle_open=True)) == 1


def test_shutting_the_throttle_ends_a_pull() -> None:
    detector = PullDetector(PullsSection(), BEST_NM)
    found = [detector.take(point, point.device_us < 12_000_000) for point in points(1800.0, *PULL_LEGS)]
    (pull,) = [one for one in found if one is not None]
    assert pull.ended_by == "release"
    assert pull.points[-1].device_us == 11_750_000


def test_load_below_the_share_of_the_best_is_no_pull() -> None:
    weak: Leg = (6.0, 2000.0, 4.0)
    assert find(points(1800.0, IDLE, TOP, weak, LET_GO), best_nm=16.0) == []
    assert len(find(points(1800.0, IDLE, TOP, weak, LET_GO), best_nm=12.0)) == 1


def test_the_best_seen_rises_by_what_the_brake_held() -> None:
    detector = PullDetector(PullsSection(), 5.0)
    for point in points(1800.0, (0.25, 4500.0, 22.0), *PULL_LEGS):
        detector.take(point)
    assert detector.best_nm == pytest.approx(15.0, abs=0.01)


def test_the_points_of_a_fall_are_there_while_it_lasts() -> None:
    detector = PullDetector(PullsSection(), BEST_NM)
    seen = [(detector.take(point), detector.phase, len(detector.points))[1:] for point in points(1800.0, *PULL_LEGS)]
    falling = [count for phase, count in seen if phase is Phase.FALLING]
    assert falling[-1] > 20
    assert falling == sorted(falling)
    assert seen[-1] == (Phase.WAITING, 0)


def test_every_phase_can_be_left_and_every_sign_but_nothing_is_used() -> None:
    assert {phase for phase, _ in TABLE} == set(Phase)
    assert {sign for _, sign in TABLE} == set(Sign) - {Sign.NOTHING}
