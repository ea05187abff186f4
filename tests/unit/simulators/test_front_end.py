"""The firmware in the simulated world: its lines read by the daemon's own codec."""

from itertools import pairwise
from typing import Any

from leverarm_daemon.records import Edge, Frame, Hello, Load, Status, Temps
from leverarm_daemon.stand.codec import Decoder, unseal
from leverarm_simulators.front_end import WRAP_US, SimulatedStand, firmware_dir
from leverarm_simulators.scenario import load_scenario


def stand_with_tape(*settings: str, seed: int = 1) -> tuple[SimulatedStand, list[bytes]]:
    lines: list[bytes] = []
    return SimulatedStand(load_scenario("air_filter", settings), "test-stand", seed, lines.append), lines


def frames(lines: list[bytes]) -> list[Frame]:
    decoder = Decoder()
    return [decoder.decode(unseal(line)) for line in lines]


def of_kind(found: list[Frame], kind: Any) -> list[Any]:
    return [frame for frame in found if isinstance(frame, kind)]


def test_firmware_files_are_found() -> None:
    assert {"front_end.py", "link.py", "tables.py"} <= {path.name for path in firmware_dir().iterdir()}


def test_first_line_is_a_hello_that_says_simulated() -> None:
    stand, lines = stand_with_tape()
    stand.advance(5_000.0)
    hello = frames(lines)[0]
    assert isinstance(hello, Hello)
    assert hello.simulated
    assert (hello.stand, hello.wrap_bits, hello.pulses_per_rev, hello.load_hz) == ("test-stand", 30, 1.0, 80.0)
    assert "throttle" in hello.inputs
    assert stand_with_tape("wiring.throttle_switch=false")[0].world.inputs() == ("loop",)


def test_device_clock_wraps_after_a_few_seconds_and_the_codec_unwraps_it() -> None:
    stand, lines = stand_with_tape("wiring.before_wrap_s=1.0")
    stand.advance(2e6)
    raw_us = [int(line.split()[2]) for line in lines]
    assert max(raw_us[:10]) > WRAP_US - 1_000_000 > 1_100_000 > raw_us[-1]
    times_us = [frame.device_us for frame in frames(lines) if isinstance(frame, Status)]
    assert all(0 < b - a < 25_000 for a, b in pairwise(times_us))


def test_load_temperatures_and_status_come_at_their_rates() -> None:
    stand, lines = stand_with_tape()
    stand.advance(2e6)
    found = frames(lines)
    assert sum(len(load.counts) for load in of_kind(found, Load)) == 160
    assert 95 <= len(of_kind(found, Status)) <= 102
    assert dict(of_kind(found, Temps)[0].readings).keys() == {"head", "drum"}


def test_edges_carry_the_times_of_the_crank() -> None:
    stand, lines = stand_with_tape("operator.fit_s=1000.0")
    stand.world.spin(3000.0)
    stand.advance(0.5e6)
    edges = of_kind(frames(lines), Edge)
    assert [edge.count for edge in edges] == list(range(1, len(edges) + 1))
    assert edges[1].device_us - edges[0].device_us > 20_000, "coasting from 3,000 rpm"
    assert len(edges) > 15


def test_without_an_answer_the_front_end_never_energises_the_relay() -> None:
    stand, lines = stand_with_tape()
    stand.advance(5e6)
    assert not stand.world.engine.ignition
    assert {status.state for status in of_kind(frames(lines), Status)} == {"held"}
    assert all("run" not in status.outputs for status in of_kind(frames(lines), Status))


def test_restart_says_why_and_begins_anew() -> None:
    stand, lines = stand_with_tape()
    stand.advance(1e6)
    lines.clear()
    stand.restart("watchdog")
    stand.advance(1.1e6)
    hello = frames(lines)[0]
    assert isinstance(hello, Hello)
    assert (hello.reset, hello.seq) == ("watchdog", 0)


def test_dead_converter_sends_failures() -> None:
    stand, lines = stand_with_tape()
    stand.cell_alive = False
    stand.advance(1e6)
    assert {load.counts for load in of_kind(frames(lines), Load)} == {(None,)}


def test_equal_seeds_give_equal_lines() -> None:
    tapes = []
    for seed in (1, 1, 2):
        stand, lines = stand_with_tape("operator.fit_s=1000.0", seed=seed)
        stand.world.spin(2500.0)
        stand.advance(2e6)
        tapes.append(b"".join(lines))
    assert tapes[0] == tapes[1] != tapes[2]
