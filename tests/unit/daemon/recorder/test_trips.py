"""A trip is written down once, whoever tells of it, with the speeds that pickup edges told."""

import pytest

from leverarm_daemon.recorder.trips import LONGEST_US, Tacho, TripKeeper
from leverarm_daemon.records import CauseSeen, Status, Trip

UTC = "2025-11-25T09:00:00.000+00:00"
TRIPPED = "tripped"


def status(at_us: int, state: str = "running", cause: str | None = None) -> Status:
    return Status(1, at_us, state, cause, frozenset(), frozenset(), 0, None, 0, 0, 0)


def cause(at_us: int, name: str, order: int = 1, value: int = 0, limit: int = 0) -> CauseSeen:
    return CauseSeen(1, at_us, name, order, at_us, value, limit)


def turning(keeper: TripKeeper, from_us: int, *intervals_us: int) -> int:
    """Feed edges at these intervals; gives the time of the last."""
    for interval_us in intervals_us:
        from_us += interval_us
        keeper.edge(from_us)
    return from_us


@pytest.fixture
def keeper() -> TripKeeper:
    made = TripKeeper(1.0)
    made.status(status(0), UTC, False)
    return made


def test_overspeed_is_told_in_full(keeper: TripKeeper) -> None:
    at_us = turning(keeper, 0, 20_000, 15_000, 14_500, 14_000)
    keeper.cause(cause(at_us, "overspeed", value=14_000, limit=14_285), UTC, None)
    keeper.status(status(at_us + 100, TRIPPED, "overspeed"), UTC, False)
    at_us = turning(keeper, at_us, 13_000, 12_500, 13_500, 20_000)
    keeper.cause(cause(at_us, "shield-open", order=2), UTC, None)
    keeper.cause(cause(at_us, "shield-open", order=2), UTC, None)
    assert keeper.status(status(at_us + 900_000, TRIPPED, "overspeed"), UTC, False) is None
    trip = keeper.status(status(at_us + 1_000_001, TRIPPED, "overspeed"), UTC, False)
    limit_rpm = 60e6 / 14_285
    assert trip == Trip(
        0, 0, UTC, 63_500, "overspeed", ("shield-open",), 60e6 / 14_000, limit_rpm, 60e6 / 12_500,
        60e6 / 12_500 - limit_rpm, False,
    )  # fmt: skip
    assert keeper.status(status(at_us + 1_020_000, TRIPPED, "overspeed"), UTC, False) is None
    assert keeper.latched == "overspeed"


def test_noise_after_a_trip_is_no_peak(keeper: TripKeeper) -> None:
    at_us = turning(keeper, 0, 15_000, 15_000)
    keeper.cause(cause(at_us, "overspeed", value=15_000, limit=15_100), UTC, None)
    at_us = turning(keeper, at_us, 15_000, 2_000, 13_100)
    trip = keeper.status(status(at_us + 2_000_000, TRIPPED), UTC, False)
    assert trip is not None
    assert trip.peak_rpm == pytest.approx(60e6 / 15_000, rel=0.01)


def test_overspeed_that_the_guard_decided_takes_the_last_edge_and_the_guards_limit(keeper: TripKeeper) -> None:
    at_us = turning(keeper, 0, 15_000, 14_000)
    keeper.guard("overspeed", (), at_us, UTC, False)
    keeper.cause(cause(at_us, "overspeed"), UTC, 4200.0)
    trip = keeper.finish()
    assert trip is not None
    assert trip.edge_rpm == pytest.approx(60e6 / 14_000)
    assert trip.limit_rpm == 4200.0


def test_other_causes_have_no_limit_and_no_overshoot(keeper: TripKeeper) -> None:
    at_us = turning(keeper, 0, 20_000, 20_000)
    keeper.cause(cause(at_us, "shield-open"), UTC, 4200.0)
    trip = keeper.status(status(at_us + 2_000_000, TRIPPED), UTC, False)
    assert trip is not None
    assert (trip.edge_rpm, trip.limit_rpm, trip.overshoot_rpm) == (3000.0, None, None)


def test_at_a_standstill_no_speed_is_told(keeper: TripKeeper) -> None:
    keeper.cause(cause(5_000_000, "drum-hot"), UTC, None)
    trip = keeper.status(status(5_020_000, TRIPPED, "drum-hot"), UTC, False)
    assert trip is not None
    assert (trip.edge_rpm, trip.peak_rpm) == (None, None)


@pytest.mark.parametrize("name", ["asked", "stop-loop", "start-cap", "start-lapsed", "head-warm"])
def test_what_does_not_latch_is_no_trip(keeper: TripKeeper, name: str) -> None:
    keeper.cause(cause(1, name), UTC, None)
    assert keeper.finish() is None


def test_a_lost_cause_line_is_made_up_for_by_the_status(keeper: TripKeeper) -> None:
    at_us = turning(keeper, 0, 20_000, 20_000)
    keeper.status(status(at_us, TRIPPED, "guard-silent"), UTC, False)
    trip = keeper.status(status(at_us + 2_000_000, TRIPPED, "guard-silent"), UTC, False)
    assert trip is not None
    assert (trip.first_cause, trip.edge_rpm) == ("guard-silent", 3000.0)


def test_a_silent_stand_is_a_trip_by_the_guards_word(keeper: TripKeeper) -> None:
    turning(keeper, 0, 20_000, 20_000)
    keeper.guard("stand-silent", (), 40_000, UTC, False)
    keeper.cause(cause(400_000, "guard-silent"), UTC, None)
    trip = keeper.status(status(3_000_000, TRIPPED, "guard-silent"), UTC, False)
    assert trip is not None
    assert (trip.first_cause, trip.followed_by) == ("stand-silent", ("guard-silent",))


def test_a_reset_ends_it_and_what_the_guard_still_says_begins_no_other(keeper: TripKeeper) -> None:
    keeper.cause(cause(10, "head-hot"), UTC, None)
    keeper.guard("head-hot", (), 10, UTC, False)
    keeper.edge(20)
    keeper.status(status(30, TRIPPED, "head-hot"), UTC, False)
    trip = keeper.status(status(500_000, "held"), UTC, False)
    assert trip is not None
    assert keeper.guard("head-hot", (), 500_000, UTC, False) is None
    assert keeper.guard(None, (), 520_000, UTC, False) is None
    assert keeper.finish() is None
    assert keeper.latched is None
    keeper.guard("head-hot", (), 900_000, UTC, False)
    assert keeper.finish() is not None


def test_an_engine_that_never_stops_does_not_keep_a_trip_from_being_written(keeper: TripKeeper) -> None:
    at_us = turning(keeper, 0, 20_000, 20_000)
    keeper.cause(cause(at_us, "head-hot"), UTC, None)
    at_us = turning(keeper, at_us, *[20_000] * (LONGEST_US // 20_000))
    assert keeper.status(status(at_us, TRIPPED), UTC, False) is None
    assert keeper.status(status(at_us + 20_000, TRIPPED), UTC, False) is not None


@pytest.mark.parametrize(("latched", "trips"), [("overspeed", 0), (None, 1)])
def test_a_latch_from_before_is_written_down_unless_it_was(latched: str | None, trips: int) -> None:
    keeper = TripKeeper(1.0, latched)
    found = [keeper.status(status(10 + k * 20_000, TRIPPED, "overspeed"), UTC, False) for k in range(100)]
    assert sum(trip is not None for trip in found) == trips


def test_a_replay_that_begins_in_a_trip_begins_none() -> None:
    keeper = TripKeeper(1.0)
    keeper.status(status(10, TRIPPED, "overspeed"), UTC, True)
    assert keeper.finish() is None


def test_tacho_knows_nothing_before_the_second_edge_and_after_a_standstill() -> None:
    tacho = Tacho(2.0)
    tacho.edge(1_000_000)
    assert tacho.speed_rpm is None
    tacho.edge(1_010_000)
    assert tacho.speed_rpm == 3000.0
    assert not tacho.still(2_010_000)
    assert tacho.still(2_010_001)
    tacho.edge(9_000_000)
    assert tacho.speed_rpm is None


def test_a_trip_that_the_guard_came_up_with_is_not_told_again(keeper: TripKeeper) -> None:
    """After a restart the guard still holds the old trip, and the front end follows it and says so."""
    assert keeper.guard("overspeed", (), 0, UTC, False) is None
    keeper.cause(cause(20_000, "overspeed"), UTC, 4200.0)
    assert keeper.status(status(40_000, TRIPPED, "overspeed"), UTC, False) is None
    assert keeper.status(status(5_000_000, TRIPPED, "overspeed"), UTC, False) is None
    assert keeper.finish() is None


def test_a_cause_that_both_sides_tell_is_one_trip(keeper: TripKeeper) -> None:
    turning(keeper, 0, 20_000, 20_000)
    keeper.guard("stand-silent", (), 40_000, UTC, False)
    first = keeper.status(status(3_000_000, TRIPPED, "guard-silent"), UTC, False)
    assert first is not None
    keeper.cause(cause(3_100_000, "stand-silent"), UTC, None)
    assert keeper.status(status(9_000_000, TRIPPED, "guard-silent"), UTC, False) is None
    assert keeper.finish() is None


def test_a_speed_of_long_ago_is_not_the_speed_at_the_trip(keeper: TripKeeper) -> None:
    turning(keeper, 0, 400_000, 400_000)
    keeper.cause(cause(60_000_000, "head-hot"), UTC, None)
    trip = keeper.finish()
    assert trip is not None
    assert (trip.edge_rpm, trip.peak_rpm) == (None, None)
