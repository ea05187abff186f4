import pytest

from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.quantities.speed import STILL_US, Crank, acceleration_rad_s2, mean_speed_rpm


def run(crank: Crank, gaps_us: list[int], start_us: int = 0, count: int = 0) -> tuple[int, int]:
    """Feed edges with these gaps; give the time and number of the last."""
    for gap_us in gaps_us:
        start_us, count = start_us + gap_us, count + 1
        crank.edge(start_us, count)
    return start_us, count


def test_two_turns_in_forty_milliseconds_are_3000_rpm() -> None:
    assert mean_speed_rpm((1_000, 41_000, 2.0)) == pytest.approx(3000)


def test_acceleration_divides_by_the_time_between_the_middles() -> None:
    # 3000 rpm around 0.02 s, 3300 rpm around 0.52 s: 600 rpm/s
    first, last = (0, 40_000, 2.0), (520_000 - 18_182, 520_000 + 18_182, 2.0)
    assert acceleration_rad_s2(first, last) == pytest.approx(62.83, abs=0.01)


@pytest.mark.parametrize("pulses_per_rev", [0.5, 1.0, 1.5, 2.0, 3.0, 24.0])
def test_an_uneven_rotation_reads_evenly_over_whole_cycles(pulses_per_rev: float) -> None:
    edges = int(2 * pulses_per_rev)
    gaps = [80_000 * (k + 1) // (edges * (edges + 1)) for k in range(edges)]    # unequal within, equal between
    crank = Crank(pulses_per_rev)
    now_us, _ = run(crank, gaps * 6)
    assert crank.speed_rpm(now_us) == pytest.approx(2 * 60e6 / sum(gaps))


@pytest.mark.parametrize("pulses_per_rev", [0.0, 0.3, 0.75, 1.2, -1.0])
def test_pulses_that_do_not_repeat_every_two_turns_are_refused(pulses_per_rev: float) -> None:
    with pytest.raises(RefuseToStart, match=r"pulses_per_rev is .* whole number of pulses"):
        Crank(pulses_per_rev)


def test_no_speed_before_a_whole_cycle() -> None:
    crank = Crank(1.0)
    now_us, count = run(crank, [20_000] * 2)
    assert crank.speed_rpm(now_us) is None
    now_us, _ = run(crank, [20_000], now_us, count)
    assert crank.speed_rpm(now_us) == pytest.approx(3000)


def test_a_speed_is_forgotten_when_edges_stay_away() -> None:
    crank = Crank(1.0)
    now_us, _ = run(crank, [20_000] * 5)
    assert crank.speed_rpm(now_us + STILL_US) is not None
    assert crank.speed_rpm(now_us + STILL_US + 1) is None


def test_a_standstill_begins_anew() -> None:
    crank = Crank(1.0)
    now_us, count = run(crank, [STILL_US - 10_000] * 5)
    run(crank, [STILL_US + 1], now_us, count)
    assert len(crank.marks) == 1


def test_a_lost_edge_line_begins_anew() -> None:
    crank = Crank(1.0)
    now_us, count = run(crank, [20_000] * 5)
    crank.edge(now_us + 20_000, count + 2)
    assert len(crank.marks) == 1


def test_an_edge_that_stands_still_in_time_begins_anew() -> None:
    crank = Crank(24.0)
    now_us, count = run(crank, [1_000] * 100)
    crank.edge(now_us, count + 1)
    assert len(crank.marks) == 1


@pytest.mark.parametrize("pulses_per_rev", [0.5, 1.0])
def test_a_magnet_passed_unseen_is_not_taken_for_a_slow_cycle(pulses_per_rev: float) -> None:
    crank = Crank(pulses_per_rev)
    now_us, count = run(crank, [20_000] * 6)
    now_us, _ = run(crank, [40_000], now_us, count)
    assert crank.speed_rpm(now_us) is None
    assert len(crank.marks) == 1


def test_a_false_edge_is_not_taken_for_a_fast_cycle() -> None:
    crank = Crank(1.0)
    now_us, count = run(crank, [20_000] * 6)
    now_us, count = run(crank, [18_000, 2_000], now_us, count)
    assert crank.speed_rpm(now_us) is None
    now_us, _ = run(crank, [20_000] * 4, now_us, count)
    assert crank.speed_rpm(now_us) == pytest.approx(3000)


def test_marks_are_bounded() -> None:
    crank = Crank(1.0)
    run(crank, [20_000] * 5000)
    assert len(crank.marks) == 1024
