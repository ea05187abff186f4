"""Gathers what belongs into one transaction: the raw data of a second, and what was found meanwhile. Pure.

It also knows which of the guard's items are stored already, and from where a recorder must follow
anew to understand what is going on.
"""

from collections import deque
from typing import Final

from leverarm_daemon.records import Pull, Trip
from leverarm_daemon.store.changes import Batch, Chunk, Event, Progress
from leverarm_daemon.store.chunks import Raw, pack

BATCH_US: Final = 1_000_000
MOST_FOUND: Final = 20
_LONG_AGO_US: Final = -(2**62)


class Ledger:
    """Takes what comes of items, told by `item`; `replaying` while those are stored already."""

    def __init__(self, boot: str, stored: Progress | None, replay_us: int) -> None:
        self.replaying = False
        self._boot, self._replay_us = boot, replay_us
        self._stored_n = stored.n if stored else 0
        self._newest_n = stored.n if stored else 0   # a boot's first item is number 1
        self._first_n: int | None = None
        self._ends = deque([(stored.replay_after if stored else 0, _LONG_AGO_US)])
        self._begun_us: int | None = None
        self._clear()

    def _clear(self) -> None:
        self._edges: list[tuple[int, int]] = []
        self._loads: list[tuple[int, int | None]] = []
        self._temps: list[tuple[int, str, float | str]] = []
        self._marks: list[tuple[int, str]] = []
        self._events: list[Event] = []
        self._pulls: list[Pull] = []
        self._trips: list[Trip] = []

    def item(self, n: int) -> int:
        """Go on to the guard's item `n`; gives how many items are missing before it."""
        self.replaying = n <= self._stored_n
        if self.replaying:
            return 0
        missing, self._newest_n = n - self._newest_n - 1, n
        self._first_n = n if self._first_n is None else self._first_n
        return missing

    def edge(self, device_us: int, count: int) -> None:
        """Keep a pickup edge."""
        if not self.replaying:
            self._edges.append((device_us, count))

    def load(self, device_us: int, count: int | None) -> None:
        """Keep a load count."""
        if not self.replaying:
            self._loads.append((device_us, count))

    def temp(self, device_us: int, name: str, reading: float | str) -> None:
        """Keep a temperature or fault."""
        if not self.replaying:
            self._temps.append((device_us, name, reading))

    def mark(self, device_us: int, words: str) -> None:
        """Keep a change of state or inputs."""
        if not self.replaying:
            self._marks.append((device_us, words))

    def event(self, event: Event) -> None:
        """Keep an event."""
        if not self.replaying:
            self._events.append(event)

    def trip(self, trip: Trip) -> None:
        """Keep a trip."""
        if not self.replaying:
            self._trips.append(trip)

    def pull(self, pull: Pull) -> None:
        """Keep a pull, also while replaying: whoever calls knows whether it is stored already."""
        self._pulls.append(pull)

    def due(self, now_us: int, eager: bool) -> bool:
        """Tell whether a batch should be made: a second is full, or something was found and `eager` is set."""
        if self.replaying or self._first_n is None:
            return False
        if self._begun_us is None:
            self._begun_us = now_us
        found = len(self._events) + len(self._pulls) + len(self._trips)
        return found > (0 if eager else MOST_FOUND) or now_us - self._begun_us >= BATCH_US

    def batch(self, now_us: int, context: str) -> Batch | None:
        """Give what was gathered, with `context` for whoever starts anew; None when nothing was."""
        if self._first_n is None:
            return None
        batch = Batch(
            progress=Progress(self._boot, self._newest_n, self._replay_after(now_us), context),
            chunk=self._chunk(self._first_n, self._newest_n),
            pulls=tuple(self._pulls),
            trips=tuple(self._trips),
            events=tuple(self._events),
        )
        self._ends.append((self._newest_n, now_us))
        self._first_n = self._begun_us = None
        self._clear()
        return batch

    def clock_restarted(self) -> None:
        """Forget device times: what was before cannot be compared any more."""
        self._ends = deque([(self._newest_n, _LONG_AGO_US)])

    def _replay_after(self, now_us: int) -> int:
        """Give the newest end of a batch that lies long enough back."""
        while len(self._ends) > 1 and self._ends[1][1] <= now_us - self._replay_us:
            self._ends.popleft()
        return self._ends[0][0]

    def _chunk(self, first_n: int, last_n: int) -> Chunk | None:
        raw = Raw(tuple(self._edges), tuple(self._loads), tuple(self._temps), tuple(self._marks))
        times_us = [row[0] for rows in (raw.edges, raw.loads, raw.temps, raw.marks) for row in rows]
        if not times_us:
            return None
        return Chunk(first_n, last_n, min(times_us), max(times_us), pack(raw))
