"""What a trip was: first cause, followers, speed at the edge, how far the engine still ran up. Pure."""

from collections.abc import Sequence
from typing import Final

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.records import CauseSeen, Status, Trip
from leverarm_daemon.states import State
from leverarm_daemon.units import rpm_from_interval_us

STILL_US: Final = 1_000_000
"""No pickup edge for this long: the crankshaft stands still."""

LONGEST_US: Final = 15_000_000
"""A trip is written down at the latest this long after its first cause."""

ODD_RATIO: Final = 0.75
"""An interval this much shorter than the one before is noise: no flywheel speeds up so fast."""


class Tacho:
    """Speed from single pickup intervals, the measure in which the front end decides; None when unknown."""

    def __init__(self, pulses_per_rev: float) -> None:
        self.speed_rpm: float | None = None
        self.edge_us: int | None = None
        self._pulses_per_rev = pulses_per_rev
        self._interval_us = 0

    def edge(self, device_us: int) -> None:
        """Take an edge; one that comes too early to be true changes nothing."""
        interval_us = device_us - self.edge_us if self.edge_us is not None else 0
        if 0 < interval_us < ODD_RATIO * self._interval_us:
            return
        self.edge_us = device_us
        known = 0 < interval_us <= STILL_US
        self._interval_us = interval_us if known else 0
        self.speed_rpm = rpm_from_interval_us(interval_us, self._pulses_per_rev) if known else None

    def speed_at(self, now_us: int) -> float | None:
        """Give the speed, unless no edge has come for so long that it says nothing any more."""
        return None if self.still(now_us) else self.speed_rpm

    def still(self, now_us: int) -> bool:
        """Tell whether no edge has come for a second."""
        return self.edge_us is None or now_us - self.edge_us > STILL_US


class TripWatch:
    """Gathers what belongs to one trip, until the crankshaft stands still."""

    def __init__(self, cause: str, at_us: int, utc: str, edge_rpm: float | None, limit_rpm: float | None) -> None:
        self.cause = cause
        self.followed: list[str] = []
        self._at_us, self._utc = at_us, utc
        self._edge_rpm, self._limit_rpm = edge_rpm, limit_rpm
        self._peak_rpm = edge_rpm

    def follow(self, cause: str) -> None:
        """Note a cause that came after the first."""
        if cause != self.cause and cause not in self.followed:
            self.followed.append(cause)

    def speed(self, speed_rpm: float | None) -> None:
        """Note a speed after the trip."""
        if speed_rpm is not None:
            self._peak_rpm = max(speed_rpm, self._peak_rpm or 0.0)

    def overdue(self, now_us: int) -> bool:
        """Tell whether it is written down although the crankshaft still turns."""
        return now_us - self._at_us > LONGEST_US

    def trip(self) -> Trip:
        """Give the record, without ids and not marked as simulated."""
        known = self._peak_rpm is not None and self._limit_rpm is not None
        return Trip(
            id=0,
            run_id=0,
            utc=self._utc,
            device_us=self._at_us,
            first_cause=self.cause,
            followed_by=tuple(self.followed),
            edge_rpm=self._edge_rpm,
            limit_rpm=self._limit_rpm,
            peak_rpm=self._peak_rpm,
            overshoot_rpm=(self._peak_rpm or 0.0) - (self._limit_rpm or 0.0) if known else None,
            simulated=False,
        )


class TripKeeper:
    """Follows trips through what the front end and the guard tell; each is given once, when it is over.

    `latched` is the first cause of the trip that nobody has reset yet. A trip is told by the front
    end's cause line; where that was lost, by its status; and where the stand is silent, by the guard.
    """

    def __init__(self, pulses_per_rev: float, latched: str | None = None) -> None:
        self.latched = latched
        self.tacho = Tacho(pulses_per_rev)
        self._pulses_per_rev = pulses_per_rev
        self._watch: TripWatch | None = None
        self._state = ""
        self._guard_first: str | None = None

    def edge(self, device_us: int) -> None:
        """Take a pickup edge."""
        self.tacho.edge(device_us)
        if self._watch is not None:
            self._watch.speed(self.tacho.speed_rpm)

    def cause(self, frame: CauseSeen, utc: str, trip_rpm: float | None) -> None:
        """Take a cause line; `trip_rpm` is the guard's, for where the line tells no limit."""
        first = frame.order == 1 and frame.cause in CAUSES and CAUSES[frame.cause].latch
        known = self.latched is not None and self._watch is None       # an old trip that the guard holds on to
        if not first or known or (self._watch is not None and self._watch.cause != frame.cause):
            self._follow((frame.cause,))
            return
        followed = self._watch.followed if self._watch else []
        self.latched = frame.cause
        self._watch = self._begin(frame, utc, trip_rpm)
        self._follow(followed)

    def status(self, frame: Status, utc: str, replaying: bool) -> Trip | None:
        """Take a status line; gives the trip that is over."""
        before, self._state = self._state, frame.state
        tripped = frame.state == State.TRIPPED
        if tripped and not before and replaying:
            self.latched = self.latched or frame.cause
        elif tripped:
            self._latch(frame.cause or "", frame.device_us, utc)
        elif before == State.TRIPPED:
            self.latched = None
            return self.finish()
        over = self._watch is not None and (self.tacho.still(frame.device_us) or self._watch.overdue(frame.device_us))
        return self.finish() if over else None

    def guard(self, first: str | None, followed: Sequence[str], now_us: int, utc: str, replaying: bool) -> Trip | None:
        """Take what the guard latched; gives the trip that is over."""
        before, self._guard_first = self._guard_first, first
        if first is not None and self.tacho.edge_us is None and self._watch is None:
            self.latched = first        # nothing has turned: the guard came up with a trip that nobody has reset
            return None
        if first is None:
            if self._state == State.TRIPPED:
                return None
            self.latched = None
            return self.finish()
        if first != before and not (replaying and before is None and self.latched == first):
            self._latch(first, now_us, utc)
        self._follow(followed)
        return None

    def finish(self) -> Trip | None:
        """End the trip that is being watched, if any, and give it."""
        watched, self._watch = self._watch, None
        return None if watched is None else watched.trip()

    def _latch(self, cause: str, at_us: int, utc: str) -> None:
        """Begin a trip that nobody told a speed of."""
        if self.latched is None:
            self.latched = cause
            self._watch = TripWatch(cause, at_us, utc, self.tacho.speed_at(at_us), None)

    def _follow(self, causes: Sequence[str]) -> None:
        if self._watch is not None:
            for cause in causes:
                self._watch.follow(cause)

    def _begin(self, frame: CauseSeen, utc: str, trip_rpm: float | None) -> TripWatch:
        """Begin with what the front end says; of overspeed, value and limit are pickup intervals in microseconds.

        Where another side than the front end decided, it tells no interval: then the last edges are taken.
        """
        if frame.cause != "overspeed":
            return TripWatch(frame.cause, frame.at_us, utc, self.tacho.speed_at(frame.at_us), None)
        edge_rpm = self._rpm(frame.value) or self.tacho.speed_at(frame.at_us)
        return TripWatch(frame.cause, frame.at_us, utc, edge_rpm, self._rpm(frame.limit) or trip_rpm)

    def _rpm(self, interval_us: int) -> float | None:
        return rpm_from_interval_us(interval_us, self._pulses_per_rev) if interval_us > 0 else None
