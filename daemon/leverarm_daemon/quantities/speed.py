"""Crank speed from pickup edge times.

A single-cylinder engine speeds up and slows down within each 720 degrees, so a speed is only worth
its name over whole 720-degree cycles that begin and end at the same edge. Two turns are whole
cycles of a two-stroke engine as well.

*Marks* are the edges that stand at one place of the crank: one a turn, or one a cycle where the
pickup gives half a pulse a turn (on the camshaft) or an odd number a cycle.
"""

from collections import deque
from typing import Final

from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.units import rad_s_from_rpm, rpm_from_interval_us

STILL_US: Final = 1_000_000
"""No edge for this long: the crank stood still, and counting begins anew."""

CYCLE_JUMP: Final = 1.3
"""A cycle this much longer or shorter than the one a mark before was miscounted, not run."""

KEPT_MARKS: Final = 1024

Span = tuple[int, int, float]
"""Start and end in device microseconds, and the crank turns between them."""


def mean_speed_rpm(span: Span) -> float:
    """Give the mean speed over a span; its end must be later than its start."""
    start_us, end_us, turns = span
    return turns * rpm_from_interval_us(end_us - start_us, 1.0)


def acceleration_rad_s2(first: Span, last: Span) -> float:
    """Give the angular acceleration between two spans of whole cycles.

    A mean speed is the speed at the middle of its span in time, so the middles are what the
    difference is divided by.
    """
    gain_rad_s = rad_s_from_rpm(mean_speed_rpm(last) - mean_speed_rpm(first))
    between_us = (last[0] + last[1] - first[0] - first[1]) / 2
    return gain_rad_s * 1e6 / between_us


class Crank:
    """Counts pickup edges into marks; begins anew after a standstill, a lost or a false edge.

    `marks` holds the mark times in device microseconds, oldest first, without a break between them.
    Raises RefuseToStart when the pulses do not repeat every 720 degrees.
    """

    def __init__(self, pulses_per_rev: float) -> None:
        edges_per_cycle = 2 * pulses_per_rev
        if edges_per_cycle < 1 or edges_per_cycle % 1:
            raise RefuseToStart(
                f"pulses_per_rev is {pulses_per_rev}: two turns must give a whole number of pulses"
                " (0.5, 1, 1.5, 2, ...); count the magnets or teeth that pass the pickup"
            )
        self.marks_per_cycle = 1 if pulses_per_rev % 1 else 2
        self.turns_per_mark = 2 / self.marks_per_cycle
        self.marks: deque[int] = deque(maxlen=KEPT_MARKS)
        self._edges_per_mark = int(edges_per_cycle) // self.marks_per_cycle
        self._first_count = 0
        self._last_count = 0
        self._last_us = 0
        self._cycle_us = 0

    def edge(self, device_us: int, count: int) -> bool:
        """Take one edge and its running number; tell whether it became a mark."""
        unbroken = count == self._last_count + 1 and 0 < device_us - self._last_us <= STILL_US
        self._last_count, self._last_us = count, device_us
        if not (unbroken and self.marks):
            self._restart(device_us, count)
            return True
        if (count - self._first_count) % self._edges_per_mark:
            return False
        self._mark(device_us, count)
        return True

    def speed_rpm(self, now_us: int) -> float | None:
        """Give the mean speed over the newest whole cycle; None after a second without an edge."""
        if not self._cycle_us or now_us - self._last_us > STILL_US:
            return None
        return mean_speed_rpm((0, self._cycle_us, 2.0))

    def keep(self, newest: int) -> None:
        """Forget all marks but the newest."""
        while len(self.marks) > newest:
            self.marks.popleft()

    def _mark(self, device_us: int, count: int) -> None:
        self.marks.append(device_us)
        if len(self.marks) <= self.marks_per_cycle:
            return
        before_us = self._cycle_us
        self._cycle_us = device_us - self.marks[-1 - self.marks_per_cycle]
        if before_us and not 1 / CYCLE_JUMP <= self._cycle_us / before_us <= CYCLE_JUMP:
            self._restart(device_us, count)

    def _restart(self, device_us: int, count: int) -> None:
        self.marks.clear()
        self.marks.append(device_us)
        self._first_count = count
        self._cycle_us = 0
