"""Starts guard, recorder and API (and the simulated stand), and starts again whatever dies, until stopped.

On a Pi each process is a systemd unit instead; this is for a terminal.
"""

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Final, Self

from leverarm_daemon.errors import RefuseToStart

STOP_WITHIN_S: Final = 5.0
AGAIN_AFTER_S: Final = 1.0
REFUSED: Final = 2
"""The exit code of a process that would refuse again: it is not started a second time."""


class Child:
    """One process: its log, and its lines on standard output."""

    def __init__(self, name: str, command: list[str], log: Path, tell: Callable[[str], None]) -> None:
        self.name = name
        self._command = [sys.executable, "-m", *command]
        self._log = log
        self._tell = tell
        self.ended_s: float | None = None
        self.process = self._spawn()

    def _spawn(self) -> subprocess.Popen[str]:
        self._log.parent.mkdir(parents=True, exist_ok=True)
        with self._log.open("a") as log:
            process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=log, text=True
            )
        assert process.stdout is not None  # noqa: S101 (it is a pipe)
        threading.Thread(target=self._listen, args=(process.stdout,), name=f"hear {self.name}", daemon=True).start()
        return process

    def _listen(self, lines: IO[str]) -> None:
        with lines:
            for line in lines:
                self._tell(line.rstrip("\n"))

    def look(self) -> None:
        """Start the process again a moment after it died; raises RefuseToStart when it refuses."""
        if self.process.poll() is None:
            return
        if self.process.returncode == REFUSED:
            raise RefuseToStart(f"{self.name}: {self.last_words()}")
        self.ended_s = self.ended_s or time.monotonic()
        if time.monotonic() - self.ended_s >= AGAIN_AFTER_S:
            self.ended_s = None
            self.process = self._spawn()

    def last_words(self) -> str:
        """Give the last line of the log."""
        lines = self._log.read_text(errors="replace").splitlines() if self._log.exists() else []
        return lines[-1] if lines else f"see {self._log}"

    def stop(self) -> None:
        """Ask the process to end; end it when it does not."""
        self.process.terminate()
        try:
            self.process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class Household:
    """All processes of one stand, started in order and stopped in reverse."""

    def __init__(self, log_dir: Path, tell: Callable[[str], None]) -> None:
        self._log_dir = log_dir
        self._tell = tell
        self.children: list[Child] = []

    def start(self, name: str, *command: str, heard: Callable[[str], None] | None = None) -> Child:
        """Start `python -m command`; its output goes to the log folder, its lines to `heard`."""
        child = Child(name, list(command), self._log_dir / f"{name}.log", heard or self._tell)
        self.children.append(child)
        return child

    def look(self) -> None:
        """Look after everybody once."""
        for child in self.children:
            child.look()

    def wait_for(self, ready: Callable[[], bool], what: str, within_s: float) -> None:
        """Wait until something is there; raises RefuseToStart when it does not come in time."""
        until_s = time.monotonic() + within_s
        while not ready():
            self.look()
            if time.monotonic() > until_s:
                raise RefuseToStart(f"{what} did not come up within {within_s:.0f} s; look at {self._log_dir}")
            time.sleep(0.05)

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop everybody, the last started first."""
        for child in reversed(self.children):
            child.stop()
