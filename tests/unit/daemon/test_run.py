"""`leverarm start`, run as people run it: the simulated stand and all three processes, and what may go wrong."""

import asyncio
import os
import pty
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest

from leverarm_daemon import run
from leverarm_daemon.cli import Trouble, main
from leverarm_daemon.ipc.messages import Stop
from leverarm_daemon.run import Running
from leverarm_daemon.supervise import Household
from support.fakes import FakeGuard
from support.household import until
from support.stand import write_stand_file

LEVERARM = (sys.executable, "-m", "leverarm_daemon.cli")
GUARD, API = "leverarm_daemon.guard.process", "leverarm_api"


def processes_of(folder: Path) -> dict[str, int]:
    """Give the processes that were given this folder or a file in it, by the name of their module."""
    found = {}
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes().decode().split("\0")
        except (FileNotFoundError, ProcessLookupError):
            continue
        if any(word.startswith(str(folder)) for word in words) and "-m" in words:
            found[words[words.index("-m") + 1]] = int(entry.parent.name)
    return found


class Started:
    """A `leverarm start` that runs."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.folder, self.errors = folder, folder.with_suffix(".err")
        command = [*LEVERARM, "start", "--simulate", "--state-dir", str(folder), *words]
        with self.errors.open("w") as errors:
            self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors, text=True)

    def line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def end(self, number: int) -> tuple[int, str]:
        """Send a signal; give the exit code, and what else was said on standard output."""
        self.process.send_signal(number)
        out, _ = self.process.communicate(timeout=8)
        return self.process.returncode, out


@contextmanager
def started(folder: Path, *words: str) -> Iterator[Started]:
    run = Started(folder, *words)
    try:
        yield run
    finally:
        if run.process.poll() is None:
            run.process.terminate()
        run.process.communicate(timeout=15)


def test_it_starts_everything_mends_what_dies_and_ends_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "s"
    with started(folder, "--json") as run:
        running = msgspec.json.decode(run.line(), type=Running)
        assert running.url.startswith("http://127.0.0.1:")
        assert running.token is not None
        assert len(running.token) > 20
        assert len(processes_of(folder)) == 5           # and `leverarm start` itself
        assert main(["state", "--stand", running.stand_file]) == 0
        assert "held   (simulated stand)" in capsys.readouterr().out

        assert main(["start", "--simulate", "--state-dir", str(folder)]) == 2
        assert "a stand runs from this folder already" in capsys.readouterr().err

        first = processes_of(folder)[API]
        os.kill(first, signal.SIGKILL)
        until(lambda: processes_of(folder).get(API, first) != first, "another API")
        until(lambda: run.errors.read_text().count("The page: http://") == 2, "its address")
        assert "api was killed by SIGKILL" in run.errors.read_text()

        assert run.end(signal.SIGINT) == (0, "")
    assert not processes_of(folder)


def test_for_people_it_tells_page_token_and_how_to_go_on_and_the_token_once(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    for times in range(2):
        with started(folder) as run:
            told = ""
            while "look into" not in told:
                line = run.line()
                assert line, run.errors.read_text()
                told += line
            assert run.end(signal.SIGTERM) == (0, "The engine was asked to stop; everything has ended.\n")
        assert told.count("token: ") == told.count("shown only now") == (not times)
        assert told.count("The page: http://127.0.0.1:") == 2
        assert f"leverarm state --stand {folder / 'stand.toml'}" in told
        assert run.errors.read_text() == ""
        assert not processes_of(folder)


def test_on_a_terminal_the_token_has_a_line_of_its_own(tmp_path: Path) -> None:
    command = [*LEVERARM, "start", "--simulate", "--state-dir", str(tmp_path)]
    ours, theirs = pty.openpty()
    with open(ours, "rb", buffering=0) as screen, subprocess.Popen(command, stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        shown = b""
        try:
            while b"look into" not in shown:
                shown += screen.read(4096)
        finally:
            process.terminate()
            process.wait(8)
    left = re.sub(rb"[^\n]*\x1b\[2K", b"", shown).decode()       # what a cleared line held is gone
    assert re.search(r"(?m)^token: \S{20,}\r$", left), left


def test_a_killed_start_leaves_nobody_behind(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    with started(folder, "--json") as run:
        assert run.line()
        run.process.kill()
        until(lambda: not processes_of(folder), "the end of all")


def test_told_to_end_while_it_comes_up_is_no_success(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    with started(folder) as run:
        until(lambda: GUARD in processes_of(folder), "the guard")
        assert run.end(signal.SIGTERM)[0] == 130
    assert not processes_of(folder)


# --- what is wrong -------------------------------------------------------------------------------


def refused(*words: str) -> str:
    """Run a start that must be refused, and give its one sentence."""
    done = subprocess.run([*LEVERARM, "start", *words, "--json"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, ""), done
    trouble = msgspec.json.decode(done.stderr.splitlines()[-1], type=Trouble)
    assert trouble.exit_code == 2
    return trouble.error


def test_a_port_that_is_taken_is_told_and_ends_everything(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = refused("--simulate", "--state-dir", str(tmp_path), "--set", f"api.port={port}")
    assert said.startswith(f"api: cannot listen on 127.0.0.1:{port} (")
    assert said.endswith("already in use). Change host or port under [api].")
    assert not processes_of(tmp_path)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert "cannot be written (Not a directory). Take another" in refused(
        "--simulate", "--state-dir", str(tmp_path / "file" / "s")
    )


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--scenario", "nix"), "there is no such file. Allowed: air_filter"),
        (("--set", "limits.start_cap_rpm=1"), "limits.start_cap_rpm: 1 is not allowed"),
        (("--set", "engine.colour=1"), "colour"),
        (("--set", "nonsense"), "nonsense"),
    ],
)
def test_what_the_simulated_stand_does_not_know_is_told(tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    said = refused("--simulate", "--state-dir", str(tmp_path), *words)
    assert said.startswith("stand: ")
    assert told in said


def test_a_wrong_stand_file_is_told_before_anything_starts(tmp_path: Path) -> None:
    path = write_stand_file(tmp_path, arm_m='"long"')
    assert f"{path}: brake.arm_m" in refused("--stand", str(path))
    assert not (tmp_path / "log").exists()


def test_a_real_stand_starts_without_its_front_end_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_stand_file(tmp_path)
    path.write_text(path.read_text().replace("port = 8750", "port = 0").replace("#port = 0", "port = 0"))
    command = [*LEVERARM, "start", "--stand", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline().startswith("token: ")
            assert main(["state", "--stand", str(path)]) == 0
            assert "the stand is not connected (/dev/serial/by-id/usb-front-end)" in capsys.readouterr().out
        finally:
            process.terminate()
            process.communicate(timeout=15)
    assert process.returncode in (0, 130)       # 130 when the signal came between token and page


# --- pieces --------------------------------------------------------------------------------------


async def test_the_engine_is_stopped_before_the_guard_ends(tmp_path: Path) -> None:
    guard = FakeGuard()
    async with guard.listening(tmp_path / "guard.sock"):
        assert run.answers(tmp_path / "guard.sock")
        await asyncio.to_thread(run._stop_engine, tmp_path)
    assert guard.asked == [Stop("the end of leverarm start")]
    assert not run.answers(tmp_path / "guard.sock")


RUNNING = Running("http://127.0.0.1:1", "stand.toml", "log", None)


@pytest.mark.parametrize(("program", "code"), [("raise SystemExit(0)", 0), ("raise SystemExit(1)", 1),
                                               ("import os; os.kill(os.getpid(), 9)", 137)])
def test_the_demonstrations_exit_code_is_passed_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str, code: int
) -> None:
    asked: list[tuple[str, ...]] = []

    def python(*words: str) -> list[str]:
        asked.append(words)
        return [sys.executable, "-c", program]

    monkeypatch.setattr(run, "python", python)
    with Household(tmp_path, print) as house:
        assert run._demonstrate(house, RUNNING, as_json=True) == code
    assert asked == [("leverarm_simulators.demo", "stand.toml", "--json")]


def test_an_interrupted_demonstration_is_ended_and_no_success(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pid = tmp_path / "pid"
    program = f"import os, time; open({str(pid)!r}, 'w').write(str(os.getpid())); time.sleep(60)"
    monkeypatch.setattr(run, "python", lambda *_: [sys.executable, "-c", program])
    with Household(tmp_path, print) as house:
        pause = house.pause

        def interrupt(seconds: float) -> None:
            if pid.exists():
                house._end()
            pause(seconds)

        monkeypatch.setattr(house, "pause", interrupt)
        with pytest.raises(KeyboardInterrupt):
            run._demonstrate(house, RUNNING, as_json=False)
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text()), 0)


@pytest.mark.parametrize(("interrupted", "code"), [(False, 1), (True, 130)])
def test_once_gives_the_demonstrations_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, interrupted: bool, code: int
) -> None:
    done: list[object] = []

    def demonstrate(*_: Any) -> int:
        if interrupted:
            raise KeyboardInterrupt
        return 1

    monkeypatch.setattr(run, "_simulated", lambda *_: tmp_path / "stand.toml")
    monkeypatch.setattr(run, "_bring_up", lambda *_: RUNNING)
    monkeypatch.setattr(run, "_demonstrate", demonstrate)
    monkeypatch.setattr(run, "_stop_engine", done.append)
    monkeypatch.setattr(Household, "__exit__", lambda *_: done.append("everybody ends"))
    wish = run.Wish(None, tmp_path, "air_filter", (), demo=True, once=True, as_json=False)
    assert run.start_stand(wish) == code
    assert done == [tmp_path, "everybody ends"]     # the engine first
