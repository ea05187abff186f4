"""Keeps guard, recorder and API (and the simulated stand) alive until told to end.

On a Pi each process is a systemd unit instead; this is for a terminal.
"""

import functools
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import IO, Final, Self

from leverarm_daemon.errors import RefuseToStart

STOP_WITHIN_S: Final = 5.0
"""For all of them together; whoever still lives then is killed."""
AGAIN_AFTER_S: Final = 1.0
AGAIN_AFTER_REFUSAL_S: Final = 10.0
MOST_DEATHS_AT_START: Final = 3
LONGEST_LOG: Final = 1_000_000
LISTEN_S: Final = 1.0

REFUSED: Final = 2
"""The exit code of a process that would refuse again."""


@functools.cache
def _tie() -> tuple[str, ...]:
    """Give the command before a command that lets the kernel end it when we are killed.

    Python itself cannot ask the kernel for that. Where setpriv is missing or too simple, a killed supervisor
    leaves its children behind; the next start then says that they are there.
    """
    tie = (shutil.which("setpriv") or "", "--pdeathsig", "TERM", "--")
    works = tie[0] and subprocess.run((*tie, "true"), capture_output=True, check=False).returncode == 0
    return tie if works else ()


def python(*words: str) -> list[str]:
    """Give the command `python -m words`, which does not outlive us."""
    return [*_tie(), sys.executable, "-m", *words]


def end_process(process: "subprocess.Popen[str]", until_s: float) -> None:
    """Ask a process to end; kill it with all that it started when it still lives at `until_s` (monotonic)."""
    if process.poll() is None:
        process.terminate()
    try:
        process.wait(max(0.1, until_s - time.monotonic()))
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


class Child:
    """One process: its log, and its lines on standard output. Without a vital one the others are of no use."""

    def __init__(self, name: str, words: tuple[str, ...], log: Path, heard: Callable[[str], None], vital: bool) -> None:
        self.name, self.log, self.vital = name, log, vital
        self.deaths = 0
        self._command = python(*words)
        self._heard = heard
        self._again_s: float | None = None
        self._spawn()

    def _spawn(self) -> None:
        if self.log.exists() and self.log.stat().st_size > LONGEST_LOG:
            self.log.replace(self.log.with_suffix(".log.old"))
        with self.log.open("a") as log:
            self._log_begin = log.tell()
            self.process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=log, text=True,
                start_new_session=True,  # so that Ctrl-C reaches us alone, and we end them in order
            )
        assert self.process.stdout is not None  # noqa: S101 (it is a pipe)
        self._listener = threading.Thread(
            target=self._listen, args=(self.process.stdout,), name=f"hear {self.name}", daemon=True
        )
        self._listener.start()

    def _listen(self, lines: IO[str]) -> None:
        with lines:
            for line in lines:
                self._heard(line.rstrip("\n"))

    def refuses(self) -> bool:
        """Tell whether it has ended because it must not run like this."""
        return self.process.poll() == REFUSED

    def look(self) -> str:
        """Start the process again a moment after it ended; tell in words that it ended, once, else nothing."""
        if self.process.poll() is None:
            return ""
        if self._again_s is None:
            wait_s = AGAIN_AFTER_REFUSAL_S if self.refuses() else AGAIN_AFTER_S
            self._again_s = time.monotonic() + wait_s
            self.deaths += 1
            return f"{self.name} {self.how_it_ended()}; it is started again in {wait_s:.0f} s"
        if time.monotonic() >= self._again_s:
            self._again_s = None
            self._spawn()
        return ""

    def how_it_ended(self) -> str:
        """Tell how the process ended, with its last words."""
        code = self.process.returncode
        how = f"was killed by {signal.Signals(-code).name}" if code < 0 else f"ended with exit code {code}"
        return f"{how} ({self.last_words() or 'it said nothing'})"

    def last_words(self) -> str:
        """Give the last line that this process wrote to its log."""
        with self.log.open(errors="replace") as log:
            log.seek(self._log_begin)
            lines = log.read().splitlines()
        return lines[-1].removeprefix(f"{self.name}: ") if lines else ""

    def stop(self, until_s: float) -> None:
        """End the process."""
        end_process(self.process, until_s)
        self._listener.join(LISTEN_S)


class Household:
    """All processes of one stand, started in order and stopped in reverse.

    A process that crashes is started again. One that refuses ends everything while the household comes up; later
    only a vital one does, since the engine must go on being guarded when page or records fail.
    """

    def __init__(self, log_dir: Path, tell: Callable[[str], None]) -> None:
        self.log_dir = log_dir
        self.children: list[Child] = []
        self.up = False
        self._tell = tell
        self._ending = False

    def start(self, name: str, *words: str, heard: Callable[[str], None] = lambda _: None, vital: bool = True) -> Child:
        """Start `python -m words`; its standard error goes to the log folder, its lines to `heard`."""
        child = Child(name, words, self.log_dir / f"{name}.log", heard, vital)
        self.children.append(child)
        return child

    def pause(self, seconds: float) -> None:
        """Wait a moment and look after everybody; raises RefuseToStart, and KeyboardInterrupt when told to end."""
        time.sleep(seconds)
        if self._ending:
            raise KeyboardInterrupt
        for child in self.children:
            if child.refuses() and (child.vital or not self.up):
                raise RefuseToStart(f"{child.name}: {child.last_words() or f'see {child.log}'}")
            if news := child.look():
                self._tell(news)

    def wait_for(self, ready: Callable[[], bool], what: str, within_s: float) -> None:
        """Wait until something is there; raises RefuseToStart when it does not come, or keeps ending."""
        until_s = time.monotonic() + within_s
        while not ready():
            self.pause(0.05)
            for child in self.children:
                if child.deaths >= MOST_DEATHS_AT_START:
                    raise RefuseToStart(f"{child.name} {child.how_it_ended()}, again and again; see {child.log}")
            if time.monotonic() > until_s:
                raise RefuseToStart(f"{what} did not come up within {within_s:.0f} s; look into {self.log_dir}")

    @contextmanager
    def told_to_end(self) -> Iterator[None]:
        """Let Ctrl-C, SIGTERM and a closed terminal end the household in order, and a second one change nothing."""
        before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
        heeded = {number: handler for number, handler in before.items() if handler is not signal.SIG_IGN}
        for number in heeded:
            signal.signal(number, self._end)
        try:
            yield
        finally:
            for number, handler in heeded.items():
                signal.signal(number, handler)

    def _end(self, *_: object) -> None:
        self._ending = True

    def __enter__(self) -> Self:
        """Begin; raises RefuseToStart when there is no place for the logs."""
        try:
            self.log_dir.mkdir(parents=True, exist_ok=True)
            writable = os.access(self.log_dir, os.W_OK)
            problem = "" if writable else os.strerror(13)
        except OSError as error:
            problem = error.strerror or str(error)
        if problem:
            raise RefuseToStart(f"{self.log_dir}: cannot be written ({problem}). Take another state folder")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop everybody, the last started first."""
        until_s = time.monotonic() + STOP_WITHIN_S
        for child in reversed(self.children):
            child.stop(until_s)
