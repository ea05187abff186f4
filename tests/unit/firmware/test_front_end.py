"""The front end's own decisions, on CPython; and the same bytes from a real MicroPython."""

from pathlib import Path

import pytest

from support.front import LIMITS, Bench, happen

ROOT = Path(__file__).parents[3]
FIRMWARE = ROOT / "deploy" / "firmware"
SCRIPT = ROOT / "tests" / "support" / "front.py"


@pytest.fixture
def bench() -> Bench:
    bench = Bench()
    bench.ready()
    return bench


@pytest.fixture
def running() -> Bench:
    bench = Bench()
    bench.running()
    assert bench.state() == "running"
    return bench


# --- speed ---------------------------------------------------------------------------------------


def test_the_relay_drops_inside_the_edge_handler_at_the_edge_that_crosses(running: Bench) -> None:
    for interval in (17_000, 14_500, 13_500, 12_755):
        assert not running.edge(interval)
    assert running.state() == "running", "exactly at the limit is not over it"
    assert running.edge(12_754)
    assert running.state() == "tripped"
    assert running.causes() == ["overspeed"]


def test_the_cause_tells_the_edge_its_interval_and_the_limit(running: Bench) -> None:
    for interval in (17_000, 14_500, 13_500, 12_000):
        running.edge(interval)
    cause = next(words for words in running.lines if words[0] == "X")
    assert cause[3:] == [
        "why=overspeed", "order=1", f"at={running.pins.now_us()}", "value=12000", "limit=12755",
    ]


def test_one_short_interval_is_noise_and_counted(running: Bench) -> None:
    happen(running, "noise")
    assert (running.state(), running.last["odd"]) == ("running", "1")


@pytest.mark.parametrize("share", [n / 20 for n in range(1, 20)])
def test_a_single_pulse_anywhere_in_a_revolution_trips_nothing(running: Bench, share: float) -> None:
    noise = round(20_000 * share)
    for interval in (20_000, 20_000, noise, 20_000 - noise, 20_000, 20_000, 20_000):
        running.edge(interval)
    assert running.state() == "running"
    assert running.last["odd"] == "1"


def test_noise_never_hides_a_real_rise_for_more_than_one_interval(running: Bench) -> None:
    """A spark pulse in the middle of a revolution, then the brake gone: the next real edge trips."""
    for interval in (17_000, 14_500, 13_500):
        running.edge(interval)
    running.edge(5_000)
    assert running.state() == "running"
    assert running.edge(7_000)
    assert running.causes() == ["overspeed"]


def test_two_odd_intervals_in_a_row_trip(running: Bench) -> None:
    running.edge(20_000)
    running.edge(3_000)
    assert running.edge(3_000)
    assert running.causes() == ["speed-implausible"]


def test_three_odd_intervals_within_a_second_trip_and_two_do_not(running: Bench) -> None:
    for n in range(3):
        running.edge(9_000)
        assert (running.state() == "tripped") == (n == 2)
        running.edge(11_000)
        running.turn(20_000, 200_000)
    assert running.causes() == ["speed-implausible"]


def test_three_odd_intervals_spread_over_longer_do_not_trip(running: Bench) -> None:
    for _ in range(4):
        running.edge(9_000)
        running.edge(11_000)
        running.turn(20_000, 600_000)
    assert (running.state(), running.last["odd"]) == ("running", "4")


def test_one_missed_edge_is_counted_and_measured_anew(running: Bench) -> None:
    running.edge(40_000)
    running.turn(20_000, 200_000)
    assert (running.state(), running.last["odd"]) == ("running", "1")


@pytest.mark.parametrize(("silence_us", "state"), [(99_000, "running"), (102_000, "tripped")])
def test_a_silent_pickup_at_speed_trips_after_100_ms(running: Bench, silence_us: int, state: str) -> None:
    running.wait(silence_us)
    assert running.state() == state
    assert running.causes() == ([] if state == "running" else ["pickup-lost"])


def test_a_stall_ends_held_and_unlatched(running: Bench) -> None:
    happen(running, "stall")
    assert (running.state(), running.causes(), running.pins.run) == ("held", [], False)


def test_every_edge_is_sent_at_once_with_its_time(running: Bench) -> None:
    running.lines.clear()
    running.edge(20_000)
    edges = [words for words in running.lines if words[0] == "E"]
    assert [words[2] for words in edges] == [str(running.pins.now_us())]
    assert edges[0][3] == running.last["n"] or int(edges[0][3]) == int(running.last["n"]) + 1


def test_more_edges_than_the_ring_holds_lose_lines_but_not_the_decision(running: Bench) -> None:
    for n in range(200):
        running.pins.t += 20_000 - 40 * n
        running.front.edge(running.pins.now_us())
    assert not running.pins.run


# --- starting ------------------------------------------------------------------------------------


def test_a_start_is_allowed_and_becomes_running_by_itself(bench: Bench) -> None:
    bench.host("c allow")
    assert bench.state() == "start-allowed"
    bench.turn(55_000, 1_500_000)
    assert bench.state() == "start-allowed"
    bench.turn(55_000, 1_500_000)
    assert bench.state() == "running"


def test_with_the_shield_open_it_stays_under_the_start_cap(bench: Bench) -> None:
    bench.pins.closed = ["loop"]
    bench.host("c allow")
    bench.turn(25_000, 4_000_000)
    assert bench.state() == "start-allowed"
    bench.edge(19_000)
    assert bench.state() == "start-allowed", "one short interval decides nothing"
    bench.edge(19_000)
    assert (bench.state(), bench.causes()) == ("stopping", ["start-cap"])
    for interval in (25_000, 33_000, 45_000, 62_000):
        bench.edge(interval)
    bench.wait(1_100_000)
    assert bench.state() == "held"


def test_a_capped_answer_keeps_the_cap(bench: Bench) -> None:
    bench.say = "capped"
    bench.wait(50_000)
    bench.host("c allow")
    bench.turn(25_000, 4_000_000)
    assert bench.state() == "start-allowed"


def test_an_uneven_cord_pull_trips_nothing(bench: Bench) -> None:
    bench.host("c allow")
    for interval in (200_000, 12_000, 90_000, 60_000, 11_000, 120_000, 55_000):
        bench.edge(interval)
    assert (bench.state(), bench.causes()) == ("start-allowed", [])


def test_an_allowed_start_lapses(bench: Bench) -> None:
    bench.host("c allow")
    bench.wait(119_000_000)
    assert bench.state() == "start-allowed"
    bench.wait(1_100_000)
    assert (bench.state(), bench.causes()) == ("held", ["start-lapsed"])


@pytest.mark.parametrize(("change", "why"), [
    ("no limits", "no-limits"), ("loop", "stop-loop"), ("silent", "guard-says-no"), ("stop", "guard-says-no"),
    ("twice", "not-held"),
])
def test_a_start_is_refused_with_the_reason(change: str, why: str) -> None:
    bench = Bench()
    if change == "no limits":
        bench.wait(50_000)
    else:
        bench.ready()
    if change == "loop":
        bench.pins.closed = ["shield"]
    bench.answering = change != "silent"
    bench.say = "stop" if change == "stop" else "ok"
    bench.wait(150_000)
    if change == "twice":
        bench.host("c allow")
    bench.host("c allow")
    assert bench.replies()[-1][1:] == ["no", why]


# --- host and inputs -----------------------------------------------------------------------------


def test_without_answers_the_relay_drops_within_the_allowed_age(running: Bench) -> None:
    running.answering = False
    began = running.pins.t
    running.turn(20_001, 90_000)
    assert running.pins.run
    running.turn(20_001, 60_000)
    assert running.causes() == ["guard-silent"]
    dropped_at = running.pins.run_dropped_at
    assert dropped_at is not None
    assert dropped_at - began <= 125_000


def test_old_answers_keep_nothing_alive(running: Bench) -> None:
    """A host that repeats the answer to one old status line is as good as silent."""
    running.answering = False
    old = next(words[1] for words in reversed(running.lines) if words[0] == "S")
    for _ in range(10):
        running.host(f"a {old} ok")
        running.turn(20_001, 21_000)
    assert running.causes() == ["guard-silent"]


def test_an_answer_older_than_the_newest_is_ignored(running: Bench) -> None:
    running.answering = False
    statuses = [words[1] for words in running.lines if words[0] == "S"]
    running.host(f"a {statuses[-2]} stop")
    running.turn(20_001, 21_000)
    assert running.state() == "running"
    running.host(f"a {statuses[-1]} stop")
    running.turn(20_001, 21_000)
    assert running.state() == "stopping"


def test_a_guard_that_comes_back_after_the_clock_has_wrapped_is_heard() -> None:
    bench = Bench()
    bench.ready()
    bench.answering = False
    bench.wait(20_000)
    bench.pins.t += 2**30 + 2**29
    bench.wait(20_000)
    assert bench.last["age"] == "9999"
    bench.answering = True
    bench.wait(60_000)
    assert int(bench.last["age"]) <= 20


@pytest.mark.parametrize("say", ["head-hot", "some-cause-of-a-later-version"])
def test_any_cause_that_the_guard_names_trips(running: Bench, say: str) -> None:
    running.say = say
    running.turn(20_001, 60_000)
    assert (running.state(), running.causes()) == ("tripped", [say])


def test_a_stop_ends_held_and_unlatched(running: Bench) -> None:
    happen(running, "stop")
    assert (running.state(), running.causes(), running.pins.run) == ("held", ["asked"], False)


def test_an_open_loop_drops_the_relay_at_the_next_look(running: Bench) -> None:
    running.pins.closed = ["shield"]
    running.wait(1_000)
    assert not running.pins.run
    assert (running.state(), running.causes()) == ("stopping", ["stop-loop"])


@pytest.mark.parametrize(("open_us", "state"), [(15_000, "running"), (25_000, "tripped")])
def test_the_shield_may_bounce_for_20_ms(running: Bench, open_us: int, state: str) -> None:
    running.pins.closed = ["loop"]
    running.wait(open_us)
    running.pins.closed = ["loop", "shield"]
    running.edge(19_000)
    running.wait(20_000)
    assert running.state() == state


def test_the_first_cause_stays_first(running: Bench) -> None:
    happen(running, "double")
    running.say = "head-hot"
    running.wait(60_000)
    assert running.causes()[:2] == ["speed-implausible", "head-hot"]
    assert running.last["why"] == "speed-implausible"


def tripped() -> Bench:
    bench = Bench()
    bench.running()
    happen(bench, "overspeed")
    bench.wait(1_500_000)
    return bench


def test_a_reset_leads_to_held_and_never_to_a_start() -> None:
    bench = tripped()
    bench.host("c reset")
    assert bench.replies()[-1][1:] == ["yes"]
    assert (bench.state(), bench.pins.run, bench.last["why"]) == ("held", False, "-")


@pytest.mark.parametrize(("change", "why"), [
    ("turning", "still-turning"), ("loop", "stop-loop"), ("cause", "guard-says-no"), ("silent", "guard-says-no"),
])
def test_a_reset_is_refused_while_the_cause_stands(change: str, why: str) -> None:
    bench = tripped()
    if change == "turning":
        bench.edge(50_000)
    if change == "loop":
        bench.pins.closed = ["shield"]
    bench.say = "head-hot" if change == "cause" else "ok"
    bench.answering = change != "silent"
    bench.wait(150_000)
    bench.host("c reset")
    assert bench.replies()[-1][1:] == ["no", why]
    assert bench.state() == "tripped"


def test_only_looser_limits_are_refused_while_not_held(running: Bench) -> None:
    running.host("l " + LIMITS.replace("12755", "12000"))
    assert running.replies()[-1][1:] == ["no", "not-held"]
    running.host("l " + LIMITS.replace("12755", "13000"))
    assert running.replies()[-1][1:] == ["yes"]
    running.edge(20_000)
    running.edge(16_000)
    running.edge(13_500)
    assert running.edge(12_990)


@pytest.mark.parametrize("text", [
    "", "trip_us=1", LIMITS + " extra=1", LIMITS.replace("cap_us=20000", "cap_us=-1"), LIMITS.replace("100", "nan"),
    LIMITS + " trip_us=5", LIMITS.replace("12755", "9999999999"),
])
def test_damaged_limits_are_refused_whole(bench: Bench, text: str) -> None:
    before = bench.last["lim"]
    bench.host("l " + text)
    bench.wait(25_000)
    assert bench.replies()[-1][1:] in (["no", "bad-limits"], ["no", "unknown"])
    assert bench.last["lim"] == before


def test_garbage_from_the_host_changes_nothing(running: Bench) -> None:
    for _ in range(5):
        running.front.feed(b"\xff" * 5_000)
        running.front.feed(b"\na 1 2 stop *00000000\nc 5 allow *12345678\n")
    running.turn(20_001, 60_000)
    assert running.state() == "running"


def test_the_hello_is_first_and_can_be_asked_for(bench: Bench) -> None:
    assert bench.lines[0][0] == "H"
    assert "reset=power" in bench.lines[0]
    bench.host("c hello")
    assert bench.lines[-1][0] == "H"
    assert "reset=-" in bench.lines[-1]
