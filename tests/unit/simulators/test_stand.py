"""The stand behind its pseudo-terminal, and faults to order."""

import os
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from leverarm_daemon.config import load_stand_file
from leverarm_daemon.errors import BadLine, ConfigError, RefuseToStart
from leverarm_daemon.stand.codec import Decoder, Lines, unseal
from leverarm_daemon.stand.port import Port
from leverarm_simulators.faults import Fault, Faults, parse
from leverarm_simulators.front_end import SimulatedStand
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.stand import PtyLink
from leverarm_simulators.stand_file import scenario_of, write_scenario, write_stand_file


def read_for(port: Port, seconds: float) -> bytes:
    data, end_s = b"", time.monotonic() + seconds
    while time.monotonic() < end_s:
        data += read_now(port, 0.01)
    return data


def read_now(port: Port, wait_s: float = 0.0) -> bytes:
    return port.read() if select.select([port], [], [], wait_s)[0] else b""


@pytest.fixture
def link(tmp_path: Path) -> Iterator[PtyLink]:
    with PtyLink(tmp_path / "link") as made:
        yield made


@pytest.fixture
def port(link: PtyLink) -> Iterator[Port]:
    made = Port(str(link.link), 115_200)
    yield made
    made.close()


def test_bytes_pass_both_ways(link: PtyLink, port: Port) -> None:
    link.write(b"S 1\r\n\x03\x04 *\n")
    port.write(b"a 0 1 ok\n")
    assert link.read(1.0) == b"a 0 1 ok\n"
    assert read_for(port, 0.1) == b"S 1\r\n\x03\x04 *\n"


def test_link_is_raw_before_anybody_opens_it(link: PtyLink) -> None:
    with open(link.link, "rb", buffering=0) as slave:
        output, local = termios.tcgetattr(slave.fileno())[1], termios.tcgetattr(slave.fileno())[3]
    assert not local & (termios.ECHO | termios.ICANON | termios.ISIG)
    assert not output & termios.OPOST


def test_link_is_taken_away_at_the_end(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("/dev/null")
    with PtyLink(tmp_path / "link"):
        assert os.readlink(tmp_path / "link").startswith("/dev/pts/"), "a stale link is replaced"
    assert not (tmp_path / "link").is_symlink()


def test_host_that_does_not_read_never_blocks_and_whole_lines_are_dropped(link: PtyLink, port: Port) -> None:
    line = b"x" * 99 + b"\n"
    begin_s = time.monotonic()
    taken = sum(link.write(line) for _ in range(3000))
    assert time.monotonic() - begin_s < 1.0
    assert link.dropped == 3000 - taken > 500
    got = b""
    while more := read_now(port, 0.05):
        got += more
        link.flush()
    assert len(got) == (3000 - link.dropped) * len(line)
    assert set(got.split(b"\n")) == {b"x" * 99, b""}
    assert link.write(line), "and it goes on"


@pytest.fixture
def program(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    words = [sys.executable, "-m", "leverarm_simulators.stand", "air_filter", str(tmp_path), "--seed", "3"]
    more = ["--capture", str(tmp_path / "capture"), "--set", "mqtt.host=127.0.0.1", "--set", "filters.foam=0.95"]
    with subprocess.Popen([*words, *more], stdout=subprocess.PIPE, text=True) as process:
        yield process
        process.kill()


def test_stand_program_runs_until_told_to_stop(tmp_path: Path, program: subprocess.Popen[str]) -> None:
    assert program.stdout is not None
    assert program.stdout.readline() == f"ready {tmp_path / 'stand.toml'}\n"
    stand_file = load_stand_file(tmp_path / "stand.toml")
    assert stand_file.mqtt is not None
    assert stand_file.mqtt.host == "127.0.0.1"
    assert scenario_of(tmp_path / "stand.toml").filters["foam"] == 0.95
    port = Port(stand_file.link.port, stand_file.link.baud)
    data = read_for(port, 0.6)
    port.close()
    program.send_signal(signal.SIGTERM)
    assert program.wait(5) == 0
    decoder = Decoder()
    frames = [decoder.decode(unseal(line)) for line in Lines().feed(data)]
    assert len(frames) > 50
    assert decoder.lost == 0
    assert (tmp_path / "capture").read_bytes().startswith(data[: data.rindex(b"\n")])
    assert not os.path.lexists(tmp_path / "stand-link")


@pytest.mark.parametrize("wrong", [["nowhere"], ["air_filter", "--set", "engine.x=1"], ["air_filter", "--fault=x@1"]])
def test_stand_program_refuses_what_is_wrong(tmp_path: Path, wrong: list[str]) -> None:
    program = [sys.executable, "-m", "leverarm_simulators.stand", wrong[0], str(tmp_path), *wrong[1:]]
    done = subprocess.run(program, capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode == 2
    assert "Allowed" in done.stderr or "unknown field" in done.stderr


def test_stand_file_fits_the_scenario(tmp_path: Path) -> None:
    scenario = load_scenario("air_filter")
    stand_file = load_stand_file(write_stand_file("air_filter", tmp_path))
    assert stand_file.brake.arm_m == scenario.brake.arm_m
    assert stand_file.pickup.pulses_per_rev == scenario.rotor.pulses_per_rev
    assert {build.name for build in stand_file.builds} == set(scenario.filters)
    assert {build.inertia_kg_m2 for build in stand_file.builds} == {scenario.rotor.inertia_kg_m2}
    c0, c1, *rest = stand_file.load.calibration.coefficients
    assert c1 == 1 / scenario.cell.counts_per_n
    assert c0 == pytest.approx(-scenario.cell.offset_counts * c1)
    assert not any(rest)
    assert stand_file.link.port == str(tmp_path / "stand-link")


def test_scenario_is_kept_beside_the_stand_file(tmp_path: Path) -> None:
    with pytest.raises(RefuseToStart, match="Only a simulated stand"):
        scenario_of(tmp_path / "stand.toml")
    scenario = load_scenario("air_filter")
    write_scenario(scenario, tmp_path)
    assert scenario_of(tmp_path / "stand.toml") == scenario


# --- faults ---


def test_faults_are_read_and_wrong_ones_refused() -> None:
    assert parse("drop@1.5") == Fault("drop", 1.5, None)
    assert parse("stall@2+0.5") == Fault("stall", 2.0, 2.5)
    for wrong in ("drop", "drop@", "sleep@1", "drop@1+"):
        with pytest.raises(ConfigError, match="pickup-off"):
            parse(wrong)


def faulty(*faults: str) -> tuple[SimulatedStand, Faults]:
    made = Faults(tuple(parse(text) for text in faults), seed=1)
    return SimulatedStand(load_scenario("air_filter"), "s", 1, lambda line: None), made


def at(stand: SimulatedStand, faults: Faults, seconds: float) -> Faults:
    stand.advance(seconds * 1e6)
    faults.advance(stand)
    return faults


def test_dropped_lines_are_gone_and_stalled_ones_come_late() -> None:
    stand, faults = faulty("drop@1+1", "stall@3+1")
    assert at(stand, faults, 0.5).wire(b"one\n") == b"one\n"
    assert at(stand, faults, 1.5).wire(b"two\n") == b""
    assert at(stand, faults, 3.5).wire(b"three\n") == b""
    assert at(stand, faults, 4.5).wire(b"four\n") == b"three\nfour\n"


def test_flipped_bits_are_found_by_the_crc() -> None:
    stand, faults = faulty("flip@0")
    lines: list[bytes] = []
    talking = SimulatedStand(load_scenario("air_filter"), "s", 1, lines.append)
    talking.advance(2e6)
    at(stand, faults, 0.1)
    damaged = 0
    for line in lines:
        arrived = faults.wire(line)
        assert arrived.endswith(b"\n")
        if arrived != line:
            damaged += 1
            with pytest.raises(BadLine):
                unseal(arrived.rstrip(b"\n"))
    assert 0.2 < damaged / len(lines) < 0.4


def test_physical_faults_begin_and_end() -> None:
    stand, faults = faulty("pickup-off@1+1", "cell-frozen@1+1", "cell-dead@1+1", "brake-off@1+1", "restart@1+1")
    firmware = stand.firmware
    at(stand, faults, 1.5)
    world = stand.world
    assert (world.pickup, world.cell.frozen, stand.cell_alive, world.operator.hands.strap_whole) == (
        False, True, False, False
    )
    assert stand.firmware is not firmware
    restarted = stand.firmware
    at(stand, faults, 2.5)
    assert (world.pickup, world.cell.frozen, stand.cell_alive, world.operator.hands.strap_whole) == (
        True, False, True, True
    )
    assert stand.firmware is restarted
