"""What the guard keeps: the last two minutes for a recorder that comes back, and build and latch on the disk."""

import os
from collections import deque
from pathlib import Path
from typing import Final

import msgspec

from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.guard.state import Latch
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.records import Build, Record

KEPT_NS: Final = 120_000_000_000
MOST_NOTES: Final = 10_000

_encode = msgspec.json.Encoder().encode


class Items:
    """Numbered items, already encoded. Lines are kept for two minutes, notes until they lie safe in the store."""

    def __init__(self) -> None:
        self.last = 0
        self.dropped_notes = 0
        self._lines: deque[tuple[int, bytes]] = deque()
        self._times_ns: deque[int] = deque()
        self._notes: deque[tuple[int, bytes]] = deque()

    def add_line(self, mono_ns: int, utc_ns: int, device_us: int, text: str) -> None:
        """Keep a line of the stand link."""
        self.last += 1
        self._lines.append((self.last, _encode(Line(self.last, mono_ns, utc_ns, device_us, text)) + b"\n"))
        self._times_ns.append(mono_ns)
        while mono_ns - self._times_ns[0] > KEPT_NS:
            self._times_ns.popleft()
            self._lines.popleft()

    def add_note(self, mono_ns: int, utc_ns: int, kind: str, body: dict[str, object]) -> None:
        """Keep what the guard did or was asked."""
        self.last += 1
        note = Note(self.last, mono_ns, utc_ns, kind, _encode(body).decode())
        self._notes.append((self.last, _encode(note) + b"\n"))
        if len(self._notes) > MOST_NOTES:
            self._notes.popleft()
            self.dropped_notes += 1

    def committed(self, n: int) -> None:
        """Let go of the notes that are safe."""
        while self._notes and self._notes[0][0] <= n:
            self._notes.popleft()

    def after(self, n: int) -> list[bytes]:
        """Give the items later than item n, in order."""
        return [data for _, data in sorted(_later(self._lines, n) + _later(self._notes, n))]


def _later(items: deque[tuple[int, bytes]], n: int) -> list[tuple[int, bytes]]:
    """Give the items later than n, looking from the new end so that a short tail costs little."""
    tail: list[tuple[int, bytes]] = []
    for item in reversed(items):
        if item[0] <= n:
            break
        tail.append(item)
    return tail


class Active(Record):
    """What must survive a power cut: the build on the brake, and a latch that nobody has reset."""

    build: Build | None = None
    latch: Latch = Latch()
    revision: int = 0


def load_active(path: Path) -> Active:
    """Read active.json; a missing file is a first start, a damaged one stops the program and says what to do."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=Active)
    except FileNotFoundError:
        return Active()
    except (msgspec.DecodeError, OSError) as error:
        raise RefuseToStart(
            f"{path}: {error}. It holds the build and the last trip. Look at the engine, then remove the file "
            "and select the build again."
        ) from None


def save_active(path: Path, active: Active) -> None:
    """Write active.json so that a power cut leaves either the old or the new one."""
    scratch = path.with_suffix(".new")
    with scratch.open("wb") as file:
        file.write(msgspec.json.format(_encode(active)))
        file.flush()
        os.fsync(file.fileno())
    scratch.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
