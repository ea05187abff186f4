"""The guard's process: one blocking loop around `step`. Run by `python -m leverarm_daemon.guard.process FILE`.

Loads no network, database or number library. Rules live in step.py and rules.py; here are only bytes and clocks.
"""

import gc
import logging
import selectors
import signal
import sys
import time
import uuid
from pathlib import Path
from typing import Final

from msgspec.structs import replace

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import BadLine, LinkLost, Refused, RefuseToStart
from leverarm_daemon.guard import words
from leverarm_daemon.guard.clients import Client, Clients
from leverarm_daemon.guard.commands import choose
from leverarm_daemon.guard.limits import counts_within
from leverarm_daemon.guard.memory import Active, Items, load_active, save_active
from leverarm_daemon.guard.state import (
    Action,
    Asked,
    Damaged,
    Deny,
    Event,
    Grant,
    GuardState,
    Heard,
    LinkDown,
    LinkUp,
    Remember,
    Save,
    Send,
    Setup,
    Tick,
)
from leverarm_daemon.guard.step import step
from leverarm_daemon.ipc.messages import Committed, Done, Follow, No
from leverarm_daemon.stand.codec import Decoder, Lines, encode, unseal
from leverarm_daemon.stand.port import Port

TICK_S: Final = 0.010
VIEW_NS: Final = 100_000_000
OPEN_AGAIN_NS: Final = 500_000_000
OVERLOAD: Final = 1.10
REVISIONS_A_BOOT: Final = 1_000_000
"""A picture from before a restart must look old, so revisions jump further than one boot can count."""

log = logging.getLogger("guard")


class Guard:
    """The loop: what happened, step, what is to be done."""

    def __init__(self, stand: StandFile) -> None:
        self._setup = make_setup(stand)
        self._active_path = stand.active
        self._state = restore(self._setup, load_active(stand.active))
        self._save()
        self._items = Items()
        if self._state.chosen is not None:      # whoever records must know it from the first line on
            body = {"who": "restored", "build": self._state.chosen.build, "trip_rpm": self._state.chosen.trip_rpm}
            self._act(Remember("select", body))
        self._selector = selectors.DefaultSelector()
        self._clients = Clients(stand.guard_sock, self._setup.boot, self._selector)
        self._port: Port | None = None
        self._lines, self._decoder = Lines(), Decoder()
        self._opened_ns = self._viewed_ns = -OPEN_AGAIN_NS
        self._viewed_revision = 0
        self._complaint = ""
        self._running = True

    def stop(self, *_: object) -> None:
        """Leave the loop; the front end then drops the relay by itself."""
        self._running = False

    def run(self) -> None:
        """Run until stopped."""
        while self._running:
            self._open_port()
            for key, _ in self._selector.select(TICK_S):
                self._serve(key.data)
            self._happen(Tick(self._clients.followed()))
            self._show()
        self._clients.close()
        self._selector.close()
        if self._port is not None:
            self._port.close()

    def _serve(self, source: object) -> None:
        match source:
            case Port():
                self._read_port(source)
            case Clients():
                source.accept()
            case Client():
                for request in self._clients.requests(source, self._items):
                    if not isinstance(request, Follow | Committed):
                        self._happen(Asked(source.number, request))

    # --- the stand link --------------------------------------------------------------------------

    def _open_port(self) -> None:
        now_ns = time.monotonic_ns()
        if self._port is not None or now_ns - self._opened_ns < OPEN_AGAIN_NS:
            return
        self._opened_ns = now_ns
        link = self._setup.stand.link
        try:
            self._port = Port(link.port, link.baud)
        except LinkLost as error:
            if str(error) != self._complaint:
                log.warning("stand link: %s; trying again", error)
                self._complaint = str(error)
            return
        self._lines, self._decoder, self._complaint = Lines(), Decoder(), ""
        self._selector.register(self._port, selectors.EVENT_READ, self._port)
        log.info("stand link: %s is open", link.port)
        self._happen(LinkUp())

    def _read_port(self, port: Port) -> None:
        try:
            data = port.read()
        except LinkLost as error:
            self._lose_port(port, str(error))
            return
        overlong = self._lines.overlong
        for line in self._lines.feed(data):
            self._hear(line)
        for _ in range(self._lines.overlong - overlong):
            self._happen(Damaged())

    def _hear(self, line: bytes) -> None:
        try:
            body = unseal(line)
            frame = self._decoder.decode(body)
        except BadLine:
            self._happen(Damaged())
            return
        self._items.add_line(time.monotonic_ns(), time.time_ns(), frame.device_us, line.decode("ascii"))
        self._happen(Heard(frame))

    def _lose_port(self, port: Port, why: str) -> None:
        if self._port is port:
            self._selector.unregister(port)
            port.close()
            self._port = None
            log.warning("stand link lost: %s", why)
            self._happen(LinkDown(why))

    # --- step and its actions ----------------------------------------------------------------------

    def _happen(self, event: Event) -> None:
        self._state, actions = step(self._setup, self._state, event, time.monotonic_ns())
        for action in actions:
            self._act(action)

    def _act(self, action: Action) -> None:
        match action:
            case Send(frame):
                self._write(encode(frame))
            case Grant(client, view):
                self._clients.reply(client, Done(view))
            case Deny(client, kind, reasons):
                self._clients.reply(client, No(kind, reasons))
            case Remember(kind, body):
                self._items.add_note(time.monotonic_ns(), time.time_ns(), kind, body)
            case Save():
                self._save()

    def _write(self, line: bytes) -> None:
        if self._port is not None:
            try:
                self._port.write(line)
            except LinkLost as error:
                self._lose_port(self._port, str(error))

    def _save(self) -> None:
        """Keep build and latch; a full disk must not stop the guard from guarding."""
        chosen = self._state.chosen
        build = None if chosen is None else chosen.build
        try:
            save_active(self._active_path, Active(build, self._state.latch, self._state.revision))
        except OSError as error:
            log.error("%s: %s; build and latch are not kept over a power cut", self._active_path, error)

    def _show(self) -> None:
        now_ns = time.monotonic_ns()
        due = now_ns - self._viewed_ns >= VIEW_NS or self._viewed_revision != self._state.revision
        view = words.view(self._setup, self._state, now_ns) if due else None
        if due:
            self._viewed_ns, self._viewed_revision = now_ns, self._state.revision
        self._clients.spread(self._items, view)


def make_setup(stand: StandFile) -> Setup:
    """Work out what stays the same while the guard runs."""
    low, high = counts_within(stand.load.calibration, OVERLOAD * stand.load.rated_n)
    return Setup(stand, uuid.uuid4().hex[:12], low, high)


def restore(setup: Setup, active: Active) -> GuardState:
    """Take up the build and the latch from before a restart; limits are worked out anew."""
    state = GuardState(latch=active.latch, revision=active.revision + REVISIONS_A_BOOT)
    if active.build is None:
        return state
    if setup.stand.build(active.build.name) != active.build:
        log.warning("build %s is no longer as in the stand file: select it again", active.build.name)
        return state
    try:
        chosen = choose(setup, active.build, shield_fitted=True)
    except Refused as refused:
        log.warning("build %s is no longer allowed: %s", active.build.name, refused)
        return state
    return replace(state, chosen=chosen)


def main() -> int:
    """Run the guard of the stand file named on the command line; 2 when it refuses to start."""
    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s")
    try:
        stand = load_stand_file(Path(sys.argv[1]))
        Path(stand.state_dir).mkdir(parents=True, exist_ok=True)
        guard = Guard(stand)
    except (RefuseToStart, IndexError, OSError) as error:
        log.error("%s", error if sys.argv[1:] else "usage: python -m leverarm_daemon.guard.process FILE")
        return 2
    signal.signal(signal.SIGTERM, guard.stop)
    signal.signal(signal.SIGINT, guard.stop)
    gc.collect()
    gc.freeze()         # nothing made so far is looked at again,
    gc.disable()        # and the loop makes no reference cycles: no pauses
    guard.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
