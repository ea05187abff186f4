"""The guard as a process: over a real pseudo-terminal and a real socket, with the firmware's own files behind it."""

import os
import pty
import random
import signal
import socket
import subprocess
import sys
import time
import tty
from pathlib import Path

import msgspec
import pytest

from leverarm_daemon.config import StandFile
from leverarm_daemon.ipc.messages import Follow, GuardReply, Line, No, Note, Start
from leverarm_daemon.stand.codec import seal
from support.household import Household, household, until

replies = msgspec.json.Decoder(GuardReply)


def test_a_killed_guard_is_noticed_by_the_front_end_alone(tmp_path: Path) -> None:
    capture = tmp_path / "lines"
    with household(tmp_path, "guard", stand_words=("--capture", str(capture))) as house:
        house.run_engine()
        age_max_ms = house.stand.link.answer_age_max_ms
        house.kill("guard")
        cause = until(lambda: [x for x in capture.read_text().splitlines() if x.startswith("X ")], "the cause")[0]
        assert "why=guard-silent order=1" in cause
        age_ms = int(cause.split("value=")[1].split()[0])
        assert age_max_ms < age_ms <= age_max_ms + 20
        house.start("guard")
        view = house.until_state("tripped")
        assert view.first_cause == "guard-silent"


def test_a_stopped_guard_trips_and_comes_back_tripped(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        house.run_engine()
        house.kill("guard", signal.SIGSTOP)
        time.sleep(0.6)
        house.kill("guard", signal.SIGCONT)
        assert house.until_state("tripped").first_cause == "guard-silent"


def test_a_vanished_stand_is_latched_and_survives_the_guards_restart(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        house.run_engine()
        house.kill("stand")
        assert house.until_state("tripped").first_cause == "stand-silent"
        house.kill("guard", signal.SIGTERM)
        house.start("guard")
        view = house.view()
        assert (view.state, view.first_cause, view.build) == ("tripped", "stand-silent", "paper")
        house.start_stand()
        until(lambda: house.view().link == "up", "the stand is back")
        assert house.view().state == "tripped", "coming back allows nothing by itself"


def test_the_guard_holds_no_network_database_or_number_library(tmp_path: Path) -> None:
    script = (
        "import os, signal, sys, threading\n"
        "from leverarm_daemon.guard import process\n"
        f"sys.argv = ['guard', {str(tmp_path / 'stand.toml')!r}]\n"
        "threading.Timer(1.0, os.kill, (os.getpid(), signal.SIGTERM)).start()\n"
        "code = process.main()\n"
        "print(code, *sys.modules)\n"
    )
    with household(tmp_path) as house:
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=20)
        code, *modules = done.stdout.split()
        assert code == "0"
        assert "leverarm_daemon.guard.step" in modules
        roots = {name.split(".")[0] for name in modules}
        assert not roots & {"asyncio", "sqlite3", "numpy", "scipy", "aiohttp", "aiomqtt", "click", "rich"}
        assert not {name for name in modules if name.startswith(("leverarm_daemon.publish", "leverarm_daemon.store"))}
        assert "stand link" in done.stderr
        assert house.processes["stand"].poll() is None


def test_without_a_device_the_guard_says_so_and_waits_for_it(tmp_path: Path) -> None:
    with household(tmp_path) as house:
        house.kill("stand", signal.SIGTERM)
        house.start("guard")
        assert "not connected" in house.view().why_not[0]
        assert "does not exist" in house.log("guard")
        house.start_stand()
        until(lambda: house.view().link == "up", "the stand link")


def test_a_second_guard_on_the_same_folder_is_refused(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        second = subprocess.run(
            [sys.executable, "-m", "leverarm_daemon.guard.process", str(tmp_path / "stand.toml")],
            capture_output=True, text=True, timeout=20, check=False,
        )
        assert second.returncode == 2
        assert "another guard runs" in second.stderr
        until(lambda: house.view().link == "up", "the stand link")


def test_a_damaged_active_file_stops_the_start_and_says_what_to_do(tmp_path: Path) -> None:
    with household(tmp_path) as house:
        house.stand.active.write_text("{ half")
        process = house.spawn("guard", "leverarm_daemon.guard.process", str(tmp_path / "stand.toml"))
        assert process.wait(20) == 2
        assert "select the build again" in house.log("guard")


def test_a_build_that_has_changed_in_the_stand_file_must_be_selected_again(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        house.select()
        house.kill("guard", signal.SIGTERM)
        stand_toml = tmp_path / "stand.toml"
        stand_toml.write_text(stand_toml.read_text().replace("5000.0", "3900.0"))
        house.start("guard")
        assert house.view().build is None
        assert "select it again" in house.log("guard")


def test_a_restored_build_is_told_to_whoever_records(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        house.select("foam")
        house.kill("guard", signal.SIGTERM)
        house.start("guard")
        note = next(reply for reply in follow(house.stand, "", 0, 5) if isinstance(reply, Note))
        assert note.kind == "select"
        assert '"name":"foam"' in note.body
        assert house.view().build == "foam"


def test_many_follows_in_one_breath_hold_up_nothing(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        until(lambda: house.view().link == "up", "the stand link")
        with connect(house.stand) as sock:
            sock.sendall((msgspec.json.encode(Follow("", 0)) + b"\n") * 1000)
            began = time.monotonic()
            house.view()
            assert time.monotonic() - began < 0.5
            assert house.rss_mb("guard") < 40


@pytest.mark.parametrize("request_line", [b"nonsense\n", b'{"type":"fly"}\n', b'{"type":"allow","who":"x"}\n', b"[]\n"])
def test_a_request_that_is_none_is_answered_and_harms_nothing(tmp_path: Path, request_line: bytes) -> None:
    with household(tmp_path, "guard") as house, connect(house.stand) as sock:
        sock.sendall(request_line)
        reply = replies.decode(sock.makefile("rb").readline())
        assert isinstance(reply, No)
        assert reply.kind == "bad"
        until(lambda: house.view().link == "up", "the stand link")


def test_a_follower_gets_every_line_once_and_in_order_and_can_resume(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house:
        first = follow(house.stand, "", 0, 200)
        start = first[0]
        assert isinstance(start, Start)
        lines = [reply for reply in first if isinstance(reply, Line)]
        numbers = [line.n for line in lines]
        assert numbers == sorted(set(numbers))
        again = follow(house.stand, start.boot, numbers[100], 50)
        assert next(reply for reply in again if isinstance(reply, Line)).n > numbers[100]
        resumed = {reply.n: reply.text for reply in again if isinstance(reply, Line)}
        assert all(resumed[line.n] == line.text for line in lines if line.n in resumed)
        assert set(resumed) & set(numbers)


def test_a_follower_that_does_not_read_never_holds_up_the_guard(tmp_path: Path) -> None:
    with household(tmp_path, "guard") as house, connect(house.stand) as deaf:
        deaf.sendall(msgspec.json.encode(Follow("", 0)) + b"\n")
        house.run_engine()
        time.sleep(2.0)
        assert house.view().state == "running"
        assert house.rss_mb("guard") < 40


def test_ten_megabytes_of_garbage_cost_no_memory_and_leave_the_guard_answering(tmp_path: Path) -> None:
    rng = random.Random(1)
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        with household(tmp_path) as house:
            (tmp_path / "garbage").symlink_to(os.ttyname(slave))
            stand_toml = tmp_path / "stand.toml"
            stand_toml.write_text(stand_toml.read_text().replace(f"{tmp_path}/stand-link", f"{tmp_path}/garbage"))
            house.start("guard")
            before = house.rss_mb("guard")
            for _ in range(160):
                write_all(master, rng.randbytes(65_536))
            status = seal("S 1 5 st=held why=- in=loop out=- lim=00000000 ack=- age=9 n=0 odd=0")
            write_all(master, f"\n{status}\n".encode())
            assert house.view().state in ("unknown", "held")
            assert until(lambda: house.view().link, "a word about the link") != "up"
            assert house.rss_mb("guard") < before + 5
            assert house.processes["guard"].poll() is None
    finally:
        os.close(master)
        os.close(slave)


def connect(stand: StandFile) -> socket.socket:
    sock = socket.socket(socket.AF_UNIX)
    sock.settimeout(5)
    sock.connect(str(stand.guard_sock))
    return sock


def follow(stand: StandFile, boot: str, after: int, count: int) -> list[GuardReply]:
    with connect(stand) as sock, sock.makefile("rb") as stream:
        sock.sendall(msgspec.json.encode(Follow(boot, after)) + b"\n")
        return [replies.decode(stream.readline()) for _ in range(count)]


def write_all(fd: int, data: bytes) -> None:
    """Write everything, dropping what the guard writes to us."""
    while data:
        data = data[os.write(fd, data[:4096]):]


def test_the_household_is_gone_afterwards(tmp_path: Path) -> None:
    house: Household
    with household(tmp_path, "guard") as house:
        assert all(process.poll() is None for process in house.processes.values())
        assert len(house.processes) == 2
    assert all(process.poll() is not None for process in house.processes.values())
