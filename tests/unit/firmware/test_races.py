"""The interrupt may come at any moment of the main loop: between reading the clock, deciding, driving and writing."""

import front_end
import pytest

from support.front import LIMITS, Bench


@pytest.fixture
def running() -> Bench:
    bench = Bench()
    bench.running()
    assert bench.state() == "running"
    return bench


def fire(bench: Bench, after_us: int) -> None:
    """Let an edge come from the interrupt, later than the time that the loop has read."""
    bench.pins.t += after_us
    bench.front.edge(bench.pins.now_us())


def test_an_edge_after_the_clock_was_read_is_no_silence(running: Bench) -> None:
    for _ in range(200):
        us = running.pins.now_us()
        running.pins.meanwhile = [lambda: fire(running, 200)]
        running.front.poll(us)
        running.collect()
        running.wait(19_800)
    assert (running.state(), running.causes()) == ("running", [])


@pytest.mark.parametrize("calls", [0, 1, 2, 3])
def test_an_overspeed_that_comes_while_the_loop_drives_stays_off(running: Bench, calls: int) -> None:
    for interval in (17_000, 14_500, 13_500):
        running.edge(interval)
    running.wait(11_000)
    running.pins.meanwhile = [lambda: None] * calls + [lambda: fire(running, 1_000)]
    while running.pins.meanwhile:
        running.front.poll(running.pins.now_us())
    assert not running.pins.run
    running.wait(5_000)
    running.front.poll(running.pins.now_us())
    running.collect()
    assert (running.state(), running.pins.run, running.causes()) == ("tripped", False, ["overspeed"])


@pytest.mark.parametrize("change", ["loop", "guard", "say"])
def test_the_relay_is_dropped_before_anything_is_written(running: Bench, change: str) -> None:
    if change == "loop":
        running.pins.closed = ["shield"]
    elif change == "guard":
        running.answering = False
        running.turn(20_001, 90_000)
        running.pins.t += 40_000
    else:
        newest = [words[1] for words in running.lines if words[0] == "S"][-1]
        running.host(f"a {newest} head-hot")
    running.pins.run_while_writing.clear()
    running.front.poll(running.pins.now_us())
    assert running.pins.run_while_writing
    assert not any(running.pins.run_while_writing)


def test_every_edge_has_a_number_of_its_own_whenever_it_comes(running: Bench) -> None:
    running.lines.clear()
    for n in range(50):
        running.wait(9_000 if n % 2 else 10_999)
        running.pins.meanwhile = [lambda: fire(running, 1), lambda: None]
        running.front.poll(running.pins.now_us())
        running.pins.t += 10_000 if n % 2 else 8_001
        running.front.edge(running.pins.now_us())
        running.front.poll(running.pins.now_us())
        running.collect()
    numbers = [int(words[3]) for words in running.lines if words[0] == "E"]
    assert len(numbers) > 90
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_a_start_is_refused_while_the_crank_turns() -> None:
    bench = Bench()
    bench.ready()
    bench.turn(20_000, 3_000_000)
    bench.host("c allow")
    assert bench.replies()[-1][1:] == ["no", "still-turning"]
    bench.wait(1_100_000)
    bench.host("c allow")
    assert bench.replies()[-1][1:] == ["yes"]


def test_a_pickup_that_dies_right_after_the_start_trips() -> None:
    bench = Bench()
    bench.ready()
    bench.host("c allow")
    bench.turn(21_000, 300_000)
    bench.wait(110_000)
    assert (bench.state(), bench.causes()) == ("tripped", ["pickup-lost"])


def test_an_engine_that_dies_at_the_start_trips_nothing_and_may_be_pulled_again() -> None:
    bench = Bench()
    bench.ready()
    bench.host("c allow")
    for interval in (180_000, 90_000, 60_000, 38_000, 47_000, 65_000, 110_000):
        bench.edge(interval)
    bench.wait(3_000_000)
    assert (bench.state(), bench.causes(), bench.pins.run) == ("start-allowed", [], True)


def test_a_cap_that_was_passed_just_before_the_shield_shut_is_forgotten(running: Bench) -> None:
    """The interrupt decided while a start was allowed; the loop reads it when the engine runs already."""
    running.front._verdict = front_end.CAPPED
    running.pins.run = False
    running.wait(2_000)
    assert (running.state(), running.pins.run, running.causes()) == ("running", True, [])


def test_two_edges_in_one_turn_of_the_loop_have_two_numbers(running: Bench) -> None:
    running.lines.clear()
    for _ in range(2):
        running.pins.t += 20_000
        running.front.edge(running.pins.now_us())
    running.front.poll(running.pins.now_us())
    running.collect()
    first, second = (words for words in running.lines if words[0] == "E")
    assert int(second[3]) == int(first[3]) + 1
    assert int(second[2]) - int(first[2]) == 20_000


@pytest.mark.parametrize("change", [
    ("trip_us=12755", "trip_us=0"), ("age_ms=100", "age_ms=501"), ("still_ms=1000", "still_ms=1"),
    ("cap_us=20000", "cap_us=12000"), ("slow_us=60000", "slow_us=19000"), ("lapse_s=120", "lapse_s=9999"),
    ("shield=1", "shield=2"), ("arm_ms=2000", "arm_ms=²"),
])
def test_limits_that_make_no_sense_are_refused(change: tuple[str, str]) -> None:
    bench = Bench()
    bench.wait(50_000)
    bench.host("l " + LIMITS.replace(*change))
    assert bench.replies()[-1][1:] == ["no", "bad-limits"]


def test_an_empty_answer_is_no_answer(running: Bench) -> None:
    running.say = ""
    running.turn(20_001, 200_000)
    assert running.causes() == ["guard-silent"]
