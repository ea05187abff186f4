"""Children that crash, refuse, hang and outlive: all of them real processes."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from leverarm_daemon import supervise
from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.supervise import Household
from support.household import until

SLEEP = "import time; print('here', flush=True); time.sleep(60)"
STUBBORN = """
import signal, subprocess, sys, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
print(child.pid, flush=True)
time.sleep(60)
"""


def fails(code: int, words: str) -> str:
    return f"import sys; print({words!r}, file=sys.stderr); sys.exit({code})"


class Bench:
    """A household whose processes are made on the spot, and what it told."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.told, self.heard = folder, list[str](), list[str]()
        self.house = Household(folder / "log", self.told.append)

    def start(self, name: str, program: str, *, vital: bool = True) -> supervise.Child:
        (self.folder / f"{name}.py").write_text(program)
        return self.house.start(name, name, heard=self.heard.append, vital=vital)

    def look_until(self, done: Callable[[], object], what: str) -> None:
        def look() -> object:
            self.house.pause(0.01)
            return done()

        until(look, what)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setattr(supervise, "AGAIN_AFTER_S", 0.05)
    monkeypatch.setattr(supervise, "AGAIN_AFTER_REFUSAL_S", 0.1)
    monkeypatch.setattr(supervise, "STOP_WITHIN_S", 1.0)
    found = Bench(tmp_path)
    with found.house:
        yield found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_what_crashes_is_started_again_and_told_once_with_its_last_words(bench: Bench) -> None:
    child = bench.start("pump", fails(7, "pump: no water"))
    bench.look_until(lambda: child.deaths >= 2, "a second death")
    assert bench.told[0] == "pump ended with exit code 7 (no water); it is started again in 0 s"
    assert len(bench.told) == child.deaths


def test_what_is_killed_is_started_again(bench: Bench) -> None:
    child = bench.start("pump", SLEEP)
    first = child.process.pid
    os.kill(first, signal.SIGKILL)
    bench.look_until(lambda: child.deaths and child.process.poll() is None, "a new process")
    assert child.process.pid != first
    assert bench.told == ["pump was killed by SIGKILL (it said nothing); it is started again in 0 s"]


def test_what_refuses_ends_everything_while_it_comes_up(bench: Bench) -> None:
    bench.start("lamp", SLEEP)
    bench.start("pump", fails(2, "pump: the file is wrong"), vital=False)
    with pytest.raises(RefuseToStart, match=r"^pump: the file is wrong$"):
        bench.house.wait_for(lambda: False, "the pump", 10.0)


def test_once_up_only_a_vital_one_that_refuses_ends_everything(bench: Bench) -> None:
    bench.house.up = True
    page = bench.start("page", fails(2, "the port is taken"), vital=False)
    bench.look_until(lambda: page.deaths >= 2, "a second try")
    assert "the port is taken" in bench.told[0]
    bench.start("guard", fails(2, "the file is wrong"))
    with pytest.raises(RefuseToStart, match="the file is wrong"):
        bench.look_until(lambda: False, "never")


def test_what_keeps_ending_is_given_up_before_the_time_is_over(bench: Bench) -> None:
    bench.start("pump", fails(1, "broken"))
    with pytest.raises(RefuseToStart, match=r"^pump ended with exit code 1 \(broken\), again and .*pump\.log"):
        bench.house.wait_for(lambda: False, "the pump", 20.0)


def test_what_does_not_come_is_waited_for_no_longer_than_said(bench: Bench) -> None:
    bench.start("pump", SLEEP)
    with pytest.raises(RefuseToStart, match=r"the pump did not come up within 0 s; look into .*log"):
        bench.house.wait_for(lambda: False, "the pump", 0.2)


def test_last_words_are_those_of_this_process(bench: Bench) -> None:
    (bench.folder / "log" / "pump.log").write_text("an old complaint\n")
    child = bench.start("pump", "")
    child.process.wait(10)
    assert child.last_words() == ""


def test_a_long_log_is_put_aside(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervise, "LONGEST_LOG", 10)
    log = bench.folder / "log" / "pump.log"
    log.write_text("more than ten bytes\n")
    bench.start("pump", fails(1, "new")).process.wait(10)
    assert log.read_text() == "new\n"
    assert log.with_name("pump.log.old").read_text() == "more than ten bytes\n"


def test_the_end_comes_in_reverse_order_and_leaves_nobody(bench: Bench) -> None:
    say = "import signal, sys, time\nsignal.signal(signal.SIGTERM, lambda *_: (print('{0}', flush=True), sys.exit()))\n"
    for name in ("first", "second"):
        bench.start(name, say.format(name) + "print('here', flush=True)\ntime.sleep(60)")
    until(lambda: bench.heard == ["here", "here"], "both")
    bench.house.__exit__(None, None, None)
    assert bench.heard[2:] == ["second", "first"]
    assert not any(alive(child.process.pid) for child in bench.house.children)


def test_who_does_not_end_is_killed_with_all_that_it_started(bench: Bench) -> None:
    child = bench.start("mule", STUBBORN)
    until(lambda: bench.heard, "the mule")
    begin_s = time.monotonic()
    bench.house.__exit__(None, None, None)
    assert 0.9 < time.monotonic() - begin_s < 4.0
    assert child.process.returncode == -signal.SIGKILL
    until(lambda: not alive(int(bench.heard[0])), "the end of the mule's own child")


def test_children_do_not_get_the_terminals_ctrl_c(bench: Bench) -> None:
    child = bench.start("pump", SLEEP)
    assert os.getsid(child.process.pid) == child.process.pid


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_in_order_and_a_second_one_changes_nothing(bench: Bench, number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with bench.house.told_to_end():
        bench.house.pause(0.0)
        os.kill(os.getpid(), number)
        os.kill(os.getpid(), number)
        with pytest.raises(KeyboardInterrupt):
            bench.house.pause(0.0)
    assert signal.getsignal(number) is before


@contextmanager
def ignored(number: signal.Signals) -> Iterator[None]:
    before = signal.signal(number, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(number, before)


def test_ctrl_c_that_is_ignored_stays_ignored(bench: Bench) -> None:
    with ignored(signal.SIGINT), bench.house.told_to_end():
        os.kill(os.getpid(), signal.SIGINT)
        try:
            bench.house.pause(0.0)
        except KeyboardInterrupt:
            pytest.fail("it was heeded")


SUPERVISOR = """
import sys, time
from pathlib import Path
from leverarm_daemon.supervise import Household
with Household(Path(sys.argv[1]), print) as house:
    print(house.start("pump", "pump").process.pid, flush=True)
    time.sleep(60)
"""


def test_children_do_not_outlive_a_killed_supervisor(bench: Bench) -> None:
    (bench.folder / "pump.py").write_text("import time; time.sleep(60)")    # silent: no broken pipe may end it
    command = [sys.executable, "-c", SUPERVISOR, str(bench.folder / "log")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as supervisor:
        assert supervisor.stdout is not None
        pump = int(supervisor.stdout.readline())
        assert alive(pump)
        supervisor.kill()
        supervisor.wait(10)
        until(lambda: not alive(pump), "the pump's end")


@pytest.mark.parametrize("tool", ["", "/bin/false"])
def test_without_a_tool_to_tie_them_children_are_started_all_the_same(
    tool: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    supervise._tie.cache_clear()
    monkeypatch.setattr(shutil, "which", lambda _: tool or None)
    try:
        assert supervise.python("pump") == [sys.executable, "-m", "pump"]
    finally:
        supervise._tie.cache_clear()


def test_a_folder_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    house = Household(tmp_path / "file" / "log", print)
    with pytest.raises(RefuseToStart, match=r"file/log: cannot be written \(Not a directory\)"):
        house.__enter__()


def test_a_folder_of_somebody_else_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)     # root may always
    with pytest.raises(RefuseToStart, match="Permission denied"):
        Household(tmp_path, print).__enter__()
