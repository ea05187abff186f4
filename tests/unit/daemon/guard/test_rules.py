"""The guard's rules about the engine, without clock or port."""

import pytest

from leverarm_daemon.guard.state import Save, Send
from leverarm_daemon.records import Answer
from support.guarded import Bench, one, stand_file


def test_the_guard_trips_at_the_edge_that_crosses_the_limit(running: Bench) -> None:
    interval_ms = dict(running.state.chosen.values)["trip_us"] / 1000  # type: ignore[union-attr]
    for late in (3.0, 1.5, 0.5):
        assert not running.edge(interval_ms + late)
    actions = running.edge(interval_ms - 0.001)
    assert one(actions, Send, Answer).frame.say == "overspeed"  # type: ignore[union-attr]
    assert one(actions, Save)
    assert running.status() == "overspeed"


def test_exactly_at_the_limit_is_not_over_it(running: Bench) -> None:
    interval_ms = dict(running.state.chosen.values)["trip_us"] / 1000  # type: ignore[union-attr]
    for late in (3.0, 1.5, 0.5, 0.0, 0.0):
        running.edge(interval_ms + late)
    assert running.view().first_cause is None


def test_one_half_interval_is_noise_for_the_guard(running: Bench) -> None:
    for interval_ms in (20, 20, 5, 15, 20):
        running.edge(interval_ms)
    assert running.view().first_cause is None


@pytest.mark.parametrize("speed_ms", [20.0, 16.0, 14.0])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.45, 0.5, 0.55, 0.7, 0.74])
def test_a_spark_pulse_anywhere_in_a_revolution_trips_nothing(running: Bench, speed_ms: float, share: float) -> None:
    for interval_ms in (18.0, 16.0, speed_ms, speed_ms):
        running.edge(interval_ms)
    for _ in range(2):
        running.edge(speed_ms * share)
        running.edge(speed_ms * (1 - share))
        running.edge(speed_ms)
    assert running.view().first_cause is None
    assert running.view().speed_rpm == pytest.approx(60_000 / speed_ms, rel=0.01)


def test_a_missed_edge_is_measured_anew(running: Bench) -> None:
    for interval_ms in (20, 20, 40, 20, 20):
        running.edge(interval_ms)
    assert running.view().speed_rpm == pytest.approx(3000)


def test_two_edges_at_the_same_time_divide_nothing(running: Bench) -> None:
    running.edge(0)
    running.edge(0)
    assert running.view().first_cause is None


@pytest.mark.parametrize(("since_ms", "cause"), [(950, None), (1000, "head-hot")])
def test_a_hot_head_trips_after_a_second(running: Bench, since_ms: int, cause: str | None) -> None:
    for _ in range(since_ms // 50 + 1):
        running.temps(head=220.0)
        running.load()
        running.status()
        running.pass_ms(50)
    assert running.view().first_cause == cause


def test_a_head_just_below_its_limit_only_warns(running: Bench) -> None:
    for _ in range(60):
        running.pass_ms(50)
        running.tick()
        running.temps(head=219.9)
        running.load()
        running.status()
    assert running.view().first_cause is None
    assert running.view().notices == ("head-warm",)


def test_a_hot_head_forbids_a_start_but_does_not_trip_while_held(bench: Bench) -> None:
    bench.ready()
    for _ in range(40):
        bench.pass_ms(50)
        bench.temps(head=230.0)
        bench.load()
        bench.status()
    assert bench.view().first_cause is None
    assert bench.view().why_not == ("the cylinder head is too hot",)


def test_a_hot_drum_trips(running: Bench) -> None:
    for _ in range(21):
        running.temps(head=100.0, drum=300.0)
        running.load()
        running.status()
        running.pass_ms(50)
    assert running.view().first_cause == "drum-hot"


def test_three_probe_faults_in_a_row_trip_and_two_do_not(running: Bench) -> None:
    for reading in ("open", "open", 90.0, "open", "open"):
        running.temps(head=reading)
    assert running.view().first_cause is None
    running.temps(head="open")
    assert running.view().first_cause == "head-probe"


def test_a_silent_head_thermometer_trips_after_two_seconds(running: Bench) -> None:
    running.temps(head=90.0)
    for _ in range(100):
        running.pass_ms(20)
        running.load()
        running.status()
    assert running.view().first_cause is None
    running.pass_ms(20)
    running.load()
    running.status()
    assert running.view().first_cause == "head-probe"


def test_a_head_limit_without_a_probe_forbids_a_start(bench: Bench) -> None:
    bench.ready()
    bench.hello(reset="", temps=("drum",))
    assert "no probe named head" in bench.view().why_not[0]


def test_without_a_head_limit_the_probe_decides_nothing() -> None:
    bench = Bench(stand_file(limits=stand_file().limits.__class__()))
    bench.run()
    for _ in range(5):
        bench.temps(head="open")
    assert bench.view().first_cause is None


def test_an_overloaded_cell_trips_after_100_ms_and_not_before(running: Bench) -> None:
    for _ in range(10):
        running.load(2_200_001)
        running.pass_ms(10)
    assert running.view().first_cause is None
    running.load(2_200_001)
    assert running.view().first_cause == "load-over"


def test_a_silent_cell_trips_after_300_ms(running: Bench) -> None:
    for _ in range(15):
        running.pass_ms(20)
        running.load(None)
        running.status()
    assert running.view().first_cause is None
    running.pass_ms(20)
    running.status()
    assert running.view().first_cause == "load-lost"


def test_near_the_trip_speed_there_is_a_notice(running: Bench) -> None:
    interval_ms = dict(running.state.chosen.values)["trip_us"] / 1000 / 0.97  # type: ignore[union-attr]
    for late in (4.0, 2.0, 1.0):
        running.edge(interval_ms + late)
    for _ in range(30):
        running.edge(interval_ms)
    running.load()
    running.status()
    assert running.view().notices == ("speed-near-limit",)
    assert running.view().first_cause is None
