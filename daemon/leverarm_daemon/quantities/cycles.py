"""Means over whole 720-degree cycles, worked out as the data come: the torque that one can trust.

Three things would bias it, and each has its answer:

* *Pulsation.* Torque swings from below zero to several times its mean within a cycle. A window
  therefore runs from a mark to the same mark some whole cycles later, and never by the clock.
* *Load samples that know nothing of the crank.* Each is the mean force since the sample before it,
  as a delta-sigma converter gives it. Their running integral is exact at every sample and straight
  in between; the window takes the difference of two readings of that one integral. What a boundary
  cuts off one window it adds to the next, so the error does not add up along a sweep.
* *Sweeping.* The speed at each end of a window is the mean over the whole cycle around that end
  (two cycles where the pickup marks but one a cycle), so that pulsation cannot pose as
  acceleration.

Windows follow one another without a gap; each waits for the mark after it and for the load samples
that cover it. All times are device microseconds.
"""

import math
from bisect import bisect_left
from collections import deque
from typing import Final

from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.quantities.power import power_kw
from leverarm_daemon.quantities.speed import Crank, Span, acceleration_rad_s2, mean_speed_rpm
from leverarm_daemon.quantities.torque import brake_torque_nm, inertia_torque_nm
from leverarm_daemon.records import CurvePoint, Record

HOLE_PERIODS: Final = 1.5
SHORTEST_HOLE_US: Final = 5_000     # below it, lateness in time stamping looks the same
BACK_US: Final = 1_000_000          # time running back by more than this: the front end has restarted
KEPT_SAMPLES: Final = 4096          # four seconds at 1,000 a second: more than a window can last
WAITING_WINDOWS: Final = 16


class Impulse:
    """The running integral of force over time, and where it has holes."""

    def __init__(self, load_hz: float) -> None:
        if not load_hz > 0:
            raise RefuseToStart(f"load_hz is {load_hz}: it must be the load cell's samples a second")
        self._longest_us = max(HOLE_PERIODS * 1e6 / load_hz, SHORTEST_HOLE_US)
        self._us: deque[int] = deque(maxlen=KEPT_SAMPLES)
        # force times time up to then, in newton-microseconds, and the holes up to then
        self._sums: deque[tuple[float, int]] = deque(maxlen=KEPT_SAMPLES)

    def add(self, device_us: int, newtons: float | None) -> None:
        """Take the mean force since the sample before; None, or a long pause, makes a hole."""
        if not self._us:
            self._us.append(device_us)
            self._sums.append((0.0, 0))
            return
        since_us = device_us - self._us[-1]
        if since_us <= 0:
            return
        total, holes = self._sums[-1]
        if newtons is None or not math.isfinite(newtons) or since_us > self._longest_us:
            self._sums.append((total, holes + 1))
        else:
            self._sums.append((total + newtons * since_us, holes))
        self._us.append(device_us)

    def covers(self, device_us: int) -> bool:
        """Tell whether samples have come up to this time."""
        return bool(self._us) and self._us[-1] >= device_us

    def mean_n(self, start_us: int, end_us: int) -> float | None:
        """Give the mean force over a covered time; None when it holds a hole, or began too early."""
        first, last = bisect_left(self._us, start_us), bisect_left(self._us, end_us)
        if first == 0 or self._sums[first - 1][1] != self._sums[last][1]:
            return None
        return (self._at(last, end_us) - self._at(first, start_us)) / (end_us - start_us)

    def clear(self) -> None:
        """Forget everything."""
        self._us.clear()
        self._sums.clear()

    def _at(self, after: int, device_us: int) -> float:
        begin_us, end_us = self._us[after - 1], self._us[after]
        begin, end = self._sums[after - 1][0], self._sums[after][0]
        return begin + (end - begin) * (device_us - begin_us) / (end_us - begin_us)


class Window(Record):
    """Whole cycles, and the whole cycles around their two ends."""

    whole: Span
    around_start: Span
    around_end: Span


class CycleAverager:
    """Makes curve points out of pickup edges and load samples, in whatever order they come.

    A point is the mean over the least number of whole 720-degree cycles that lasts at least
    `min_s`; its `device_us` is the window's middle. A window is dropped when its load samples have a hole or
    never come. A standstill, a lost edge or a restarted front
    end begins anew. `inertia_kg_m2` is that seen from the crankshaft. Raises RefuseToStart for
    figures that cannot work.
    """

    def __init__(
        self,
        *,
        arm_m: float,
        inertia_kg_m2: float,
        pulses_per_rev: float,
        load_hz: float,
        belt_ratio: float = 1.0,
        min_s: float = 0.25,
    ) -> None:
        if not 0 < min_s <= 2:
            raise RefuseToStart(f"min_s is {min_s}: a window lasts more than 0 and at most 2 seconds")
        self.crank = Crank(pulses_per_rev)
        self._arm_m, self._belt_ratio, self._inertia_kg_m2 = arm_m, belt_ratio, inertia_kg_m2
        self._min_us = min_s * 1e6
        self._impulse = Impulse(load_hz)
        self._waiting: deque[Window] = deque()
        self._newest_us = 0

    def edge(self, device_us: int, count: int) -> tuple[CurvePoint, ...]:
        """Take one pickup edge with its running number; give the points that it completes."""
        self._clock(device_us)
        if not self.crank.edge(device_us, count):
            return ()
        self._close_window()
        return self._ready() if self._waiting else ()

    def load(self, device_us: int, newtons: float | None) -> tuple[CurvePoint, ...]:
        """Take one load sample, None if it failed; give the points that it completes."""
        self._clock(device_us)
        self._impulse.add(device_us, newtons)
        return self._ready() if self._waiting else ()

    def _clock(self, device_us: int) -> None:
        if device_us > self._newest_us:
            self._newest_us = device_us
        elif device_us < self._newest_us - BACK_US:
            self._newest_us = device_us
            self._impulse.clear()
            self._waiting.clear()
            self.crank.keep(0)

    def _close_window(self) -> None:
        """End the window at the last mark but one, if that makes it long enough and whole."""
        marks, turns = self.crank.marks, self.crank.turns_per_mark
        steps = len(marks) - 3
        if steps < 1 or steps % self.crank.marks_per_cycle or marks[-2] - marks[1] < self._min_us:
            return
        whole = (marks[1], marks[-2], steps * turns)
        around_start = (marks[0], marks[2], 2 * turns)
        around_end = (marks[-3], marks[-1], 2 * turns)
        self._waiting.append(Window(whole, around_start, around_end))
        self.crank.keep(3)
        if len(self._waiting) > WAITING_WINDOWS:
            self._waiting.popleft()

    def _ready(self) -> tuple[CurvePoint, ...]:
        points = []
        while self._waiting and self._impulse.covers(self._waiting[0].whole[1]):
            window = self._waiting.popleft()
            force_n = self._impulse.mean_n(window.whole[0], window.whole[1])
            if force_n is not None:
                points.append(self._point(window, force_n))
        return tuple(points)

    def _point(self, window: Window, force_n: float) -> CurvePoint:
        start_us, end_us, turns = window.whole
        speed_rpm = mean_speed_rpm(window.whole)
        brake_nm = brake_torque_nm(force_n, self._arm_m, self._belt_ratio)
        acceleration = acceleration_rad_s2(window.around_start, window.around_end)
        inertia_nm = inertia_torque_nm(self._inertia_kg_m2, acceleration)
        return CurvePoint(
            device_us=(start_us + end_us) // 2,
            speed_rpm=speed_rpm,
            force_n=force_n,
            brake_torque_nm=brake_nm,
            inertia_torque_nm=inertia_nm,
            torque_nm=brake_nm + inertia_nm,
            power_kw=power_kw(brake_nm + inertia_nm, speed_rpm),
            cycles=round(turns / 2),
        )
