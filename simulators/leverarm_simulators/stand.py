"""The simulated stand in real time, behind a pseudo-terminal.

    python -m leverarm_simulators.stand SCENARIO STATE_DIR [--set a.b=value ...] [--file a.b=value ...]
                                        [--seed N] [--capture FILE] [--fault NAME@SECONDS[+FOR] ...]

Writes STATE_DIR/stand.toml and prints `ready STATE_DIR/stand.toml`; runs until SIGTERM. `--set` changes the scenario,
or, when the scenario has no such section, the stand file; `--file` always changes the stand file.
"""

import argparse
import os
import pty
import select
import signal
import sys
import termios
import time
import tty
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from leverarm_daemon.config import load_stand_file
from leverarm_daemon.errors import RefuseToStart
from leverarm_simulators.faults import Faults, parse
from leverarm_simulators.front_end import SimulatedStand
from leverarm_simulators.scenario import Scenario, load_scenario
from leverarm_simulators.stand_file import link_path, write_scenario, write_stand_file

TICK_S = 0.004
MOST_WAITING = 16_384
"""Bytes that may wait for a host that does not read; beyond that, whole lines are dropped, as a serial port does."""
LATE_US = 60_000
"""When the machine stalls longer than this, the simulated world stands still for the rest of the stall."""

SECTIONS = frozenset(Scenario.__struct_fields__)


class PtyLink:
    """A pseudo-terminal with a symbolic link to its slave. Writing never blocks; `dropped` counts lost lines."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.dropped = 0
        self._waiting = bytearray()
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self._master, False)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.link.unlink(missing_ok=True)
        os.close(self._master)
        os.close(self._slave)

    def write(self, line: bytes) -> bool:
        """Take a line, or drop it whole when too many wait; tells which."""
        if len(self._waiting) + len(line) > MOST_WAITING:
            self.dropped += 1
            return False
        self._waiting += line
        self.flush()
        return True

    def flush(self) -> None:
        """Send what the host takes."""
        while self._waiting:
            try:
                del self._waiting[: os.write(self._master, self._waiting)]
            except BlockingIOError:
                return

    def read(self, wait_s: float) -> bytes:
        """Give what the host sent, waiting at most this long for it."""
        ready, _, _ = select.select([self._master], [], [], max(0.0, wait_s))
        return os.read(self._master, 65_536) if ready else b""


class RealTime:
    """Keeps a simulated stand in step with the clock of the wall, and its lines on the pseudo-terminal."""

    def __init__(self, link: PtyLink, faults: Faults, capture: IO[bytes] | None = None) -> None:
        self.running = True
        self._link = link
        self._faults = faults
        self._capture = capture

    def stop(self, *_: object) -> None:
        """Leave the loop soon."""
        self.running = False

    def send(self, line: bytes) -> None:
        """Send a line of the front end; what the capture holds was really sent."""
        line = self._faults.wire(line)
        if line and self._link.write(line) and self._capture is not None:
            self._capture.write(line)

    def run(self, stand: SimulatedStand) -> None:
        """Run until stopped."""
        begin_us = time.monotonic() * 1e6
        while self.running:
            next_us = stand.now_us + TICK_S * 1e6
            data = self._link.read((begin_us + next_us) / 1e6 - time.monotonic())
            if data:
                stand.feed(data)
            now_us = time.monotonic() * 1e6 - begin_us
            if now_us - stand.now_us > LATE_US:
                begin_us += now_us - stand.now_us - LATE_US
                now_us = stand.now_us + LATE_US
            self._faults.advance(stand)
            stand.advance(now_us)
            self._link.flush()


def _arguments(words: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m leverarm_simulators.stand", description="A simulated stand.")
    parser.add_argument("scenario", help="name of a scenario, or path of a .toml file")
    parser.add_argument("state_dir", type=Path)
    parser.add_argument("--set", action="append", default=[], metavar="a.b=value", help="change the scenario")
    parser.add_argument("--file", action="append", default=[], metavar="a.b=value", help="change the stand file")
    parser.add_argument("--seed", type=int)
    parser.add_argument("--capture", type=Path, metavar="FILE", help="keep every line that was sent")
    parser.add_argument("--fault", action="append", default=[], metavar="NAME@SECONDS[+FOR]")
    return parser.parse_args(words)


def run(arguments: argparse.Namespace) -> None:
    """Run a simulated stand until a signal comes; raises RefuseToStart when something in it is wrong."""
    ours = tuple(setting for setting in arguments.set if setting.split(".")[0].split("=")[0] in SECTIONS)
    others = tuple(setting for setting in arguments.set if setting not in ours)
    scenario = load_scenario(arguments.scenario, ours)
    seed = scenario.seed if arguments.seed is None else arguments.seed
    faults = Faults(tuple(parse(text) for text in arguments.fault), seed)
    state_dir = arguments.state_dir.resolve()
    state_dir.mkdir(parents=True, exist_ok=True)
    path = write_stand_file(arguments.scenario, state_dir, (*others, *arguments.file))
    write_scenario(scenario, state_dir)
    name = load_stand_file(path).stand.name
    with ExitStack() as stack:
        link = stack.enter_context(PtyLink(link_path(state_dir)))
        capture = stack.enter_context(arguments.capture.open("wb", buffering=0)) if arguments.capture else None
        clock = RealTime(link, faults, capture)
        signal.signal(signal.SIGTERM, clock.stop)
        signal.signal(signal.SIGINT, clock.stop)
        stand = SimulatedStand(scenario, name, seed, clock.send)
        print(f"ready {path}", flush=True)  # noqa: T201
        clock.run(stand)


def main() -> int:
    """Run by `python -m`; 2 when something given is wrong."""
    try:
        run(_arguments(sys.argv[1:]))
    except (RefuseToStart, OSError) as error:
        print(error, file=sys.stderr)  # noqa: T201
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
