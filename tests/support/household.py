"""The real processes of a simulated stand, in a folder of the test's own; everything is ended by pid at the end."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import PeerGone
from leverarm_daemon.ipc.blocking import ask_guard
from leverarm_daemon.ipc.messages import Allow, Ask, Done, GuardReply, Select, Stop
from leverarm_daemon.records import GuardView

T = TypeVar("T")

MODULES = {
    "guard": "leverarm_daemon.guard.process",
    "recorder": "leverarm_daemon.recorder.process",
    "api": "leverarm_api",
}


def until(look: Callable[[], T | None], what: str, within_s: float = 10.0) -> T:
    """Wait until something shows; fails with what was waited for."""
    end = time.monotonic() + within_s
    while True:
        found = look()
        if found:
            return found
        assert time.monotonic() < end, f"not within {within_s} s: {what}"
        time.sleep(0.01)


class Household:
    """Processes by name, and short ways to ask the guard."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.stand: StandFile

    def spawn(self, name: str, *command: str) -> subprocess.Popen[bytes]:
        """Start `python -m command`; both outputs go to NAME.log."""
        with (self.folder / f"{name}.log").open("ab") as log:
            words = [sys.executable, "-m", *command]
            process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self.processes[name] = process
        return process

    def log(self, name: str) -> str:
        """Give what a process has said so far."""
        return (self.folder / f"{name}.log").read_text()

    def start_stand(self, *words: str) -> None:
        """Start the simulated stand and load its stand file."""
        self.spawn("stand", "leverarm_simulators.stand", "air_filter", str(self.folder), *words)
        until(lambda: "ready " in self.log("stand") or self.processes["stand"].poll(), "the simulated stand")
        self.stand = load_stand_file(self.folder / "stand.toml")

    def start(self, *names: str) -> None:
        """Start some of guard, recorder and api, and wait until they answer."""
        for name in names:
            ready = {"guard": self.stand.guard_sock, "recorder": self.stand.recorder_sock, "api": self.stand.api_url}
            if name == "api":
                ready[name].unlink(missing_ok=True)
            process = self.spawn(name, MODULES[name], str(self.folder / "stand.toml"))
            until(lambda at=ready[name], p=process: at.exists() and p.poll() is None, f"{name}: {self.log(name)}")  # type: ignore[misc]
            if name == "guard":
                until(lambda: self.view_or_none() is not None, "the guard's answer")

    def kill(self, name: str, how: int = signal.SIGKILL) -> None:
        """Send a signal to a process, and wait for its end when it ends it."""
        process = self.processes[name]
        os.kill(process.pid, how)
        if how in (signal.SIGKILL, signal.SIGTERM):
            process.wait(10)

    def ask(self, request: Ask | Stop | Allow | Select) -> GuardReply:
        """Ask the guard."""
        return ask_guard(self.stand.guard_sock, request)

    def view(self) -> GuardView:
        """Give the guard's view."""
        reply = self.ask(Ask())
        assert isinstance(reply, Done)
        return reply.view

    def view_or_none(self) -> GuardView | None:
        """Give the guard's view, or None while it does not answer."""
        try:
            return self.view()
        except PeerGone:
            return None

    def until_state(self, state: str, within_s: float = 20.0) -> GuardView:
        """Wait for a state."""
        return until(
            lambda: view if (view := self.view_or_none()) and view.state == state else None, f"state {state}", within_s
        )

    def select(self, build: str = "paper") -> None:
        """Put a build on the brake."""
        chosen = self.stand.build(build)
        assert chosen is not None
        until(lambda: self.view().state == "held" and self.view().link == "up", "held")
        reply = self.ask(Select("test", self.view().revision, chosen))
        assert isinstance(reply, Done), reply

    def run_engine(self, build: str = "paper") -> None:
        """Bring the engine to running."""
        self.select(build)
        until(lambda: not self.view().why_not, "nothing against a start")
        self.ask_allow()
        self.until_state("running")

    def ask_allow(self) -> None:
        """Allow a start."""
        reply = self.ask(Allow("test", self.view().revision))
        assert isinstance(reply, Done), reply

    def rss_mb(self, name: str) -> float:
        """Give the memory that a process holds."""
        pages = int(Path(f"/proc/{self.processes[name].pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6

    def end(self) -> None:
        """End everything that was started here."""
        for process in reversed(self.processes.values()):
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.terminate()
        for process in self.processes.values():
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextmanager
def household(folder: Path, *names: str, stand_words: tuple[str, ...] = ()) -> Iterator[Household]:
    """Give a running household with these processes beside the simulated stand."""
    house = Household(folder)
    try:
        house.start_stand(*stand_words)
        house.start(*names)
        yield house
    finally:
        house.end()
