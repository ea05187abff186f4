"""Finds pulls by themselves in a stream of curve points. Pure, and driven by device time alone.

A pull is a fall of speed under load with the throttle open: the operator tightens the brake, and the
engine is dragged down through its range. The fall starts at the highest speed of the two seconds
before it shows. It ends when the brake lets go or the throttle shuts (release), when speed comes up
again (recovery), when the engine stops (stall), or when it has lasted too long. What is cut off from
outside, because the recording ends, is no pull but a short one.

"Under load" asks for both shaft torque and brake torque above a share of the best seen. In a
throttle blip the brake holds nothing; in a coast-down the engine gives nothing, however hard the
brake holds; a released brake shows at once, although the engine still pulls against its flywheel.
"""

from collections import deque
from collections.abc import Sequence
from enum import Enum
from typing import Final

from msgspec.structs import replace

from leverarm_daemon.config import PullsSection
from leverarm_daemon.records import CurvePoint, Record

WINDOW_US: Final = 2_000_000
"""How far back the top of a fall is looked for."""

SLACK_US: Final = 300_000
"""Load may be gone this long before the pull is over: a strap chatters."""

ONSET_SHARE: Final = 0.1
"""A fall shows when speed is this share of `fall_rpm` below the top."""

RECOVERY_SHARE: Final = 0.1
"""Speed this share of `fall_rpm` above the lowest ends the fall: at once without load, else at the second point."""

SHORT_SHARE: Final = 0.5
"""What reaches this share of both the fall and the time of a pull is kept as a short one."""

STALLED_US: Final = 1_500_000
"""No point for so long: the engine stands still, or turns too slowly for whole cycles."""


class Phase(Enum):
    """Where the detector is."""

    WAITING = "waiting"
    FALLING = "falling"
    SPENT = "spent"     # a fall lasted too long; the next one needs the load off first


class Sign(Enum):
    """What a point, or the lack of one, shows."""

    NOTHING = "nothing"
    SLACK = "slack"
    FELL = "fell"
    RELEASED = "release"
    RECOVERED = "recovery"
    STALLED = "stall"
    OVERDUE = "too long"
    CUT = "cut off"


TABLE: Final[dict[tuple[Phase, Sign], Phase]] = {
    (Phase.WAITING, Sign.FELL): Phase.FALLING,
    (Phase.FALLING, Sign.RELEASED): Phase.WAITING,
    (Phase.FALLING, Sign.RECOVERED): Phase.WAITING,
    (Phase.FALLING, Sign.STALLED): Phase.WAITING,
    (Phase.FALLING, Sign.OVERDUE): Phase.SPENT,
    (Phase.FALLING, Sign.CUT): Phase.WAITING,
    (Phase.SPENT, Sign.SLACK): Phase.WAITING,
    (Phase.SPENT, Sign.STALLED): Phase.WAITING,
}
"""Every move; whatever is not here changes nothing. Leaving FALLING ends a fall."""


class Found(Record):
    """A pull, or a short one with the reasons why; its points from the top of the fall to its end.

    `doubt` says why what was found may not be what happened.
    """

    kind: str
    ended_by: str
    reasons: tuple[str, ...]
    points: tuple[CurvePoint, ...]
    doubt: str = ""


class PullDetector:
    """Takes curve points in the order of their time. `best_nm` is the best torque seen so far."""

    def __init__(self, settings: PullsSection, best_nm: float = 0.0) -> None:
        self.phase = Phase.WAITING
        self.best_nm = best_nm
        self._settings = settings
        self._margin_rpm = RECOVERY_SHARE * settings.fall_rpm
        self._recent: deque[CurvePoint] = deque()
        self._fall: list[CurvePoint] = []
        self._newest_us = 0
        self._loaded_us = 0

    @property
    def points(self) -> Sequence[CurvePoint]:
        """Give the points of the fall that is going on."""
        return self._fall

    def take(self, point: CurvePoint, throttle_open: bool | None = None) -> Found | None:
        """Take a point; `throttle_open` None where no switch is wired. Gives a pull when one has ended."""
        loaded = self._is_loaded(point) and throttle_open is not False
        self._newest_us = point.device_us
        if loaded:
            self._loaded_us = point.device_us
        self._remember(point)
        return self._move(self._sign(point, loaded))

    def pause(self, now_us: int, lost_us: int = -1) -> Found | None:
        """Tell the time although no point came; gives the pull that a stall has ended.

        `lost_us` is when lines were lost last: since the newest point, then this may be no stall.
        """
        if now_us - self._newest_us < STALLED_US:
            return None
        self._recent.clear()
        found = self._move(Sign.STALLED)
        if found is None or lost_us < self._newest_us:
            return found
        return replace(found, ended_by="lines missing", doubt="lines are missing: its end was not seen")

    def cut(self, why: str) -> Found | None:
        """End what is going on, for a reason that is not on the stand; gives the short one that it was."""
        found = self._move(Sign.CUT)
        if found is None:
            return None
        reasons = (*found.reasons, f"was not over yet: {why}")
        return replace(found, kind="short", ended_by=why, reasons=reasons)

    def _is_loaded(self, point: CurvePoint) -> bool:
        held_nm = min(point.torque_nm, point.brake_torque_nm)
        self.best_nm = max(self.best_nm, held_nm)
        return held_nm > 0 and held_nm >= self._settings.torque_share * self.best_nm

    def _remember(self, point: CurvePoint) -> None:
        if self.phase is Phase.FALLING:
            self._fall.append(point)
            return
        self._recent.append(point)
        while self._recent[0].device_us < point.device_us - WINDOW_US:
            self._recent.popleft()

    def _sign(self, point: CurvePoint, loaded: bool) -> Sign:
        if self.phase is Phase.FALLING:
            return self._sign_in_fall(point, loaded)
        if not loaded:
            return Sign.SLACK
        top_rpm = max(recent.speed_rpm for recent in self._recent)
        fell = top_rpm - point.speed_rpm >= ONSET_SHARE * self._settings.fall_rpm
        return Sign.FELL if fell else Sign.NOTHING

    def _sign_in_fall(self, point: CurvePoint, loaded: bool) -> Sign:
        lowest_rpm = min(fallen.speed_rpm for fallen in self._fall)
        rising = [fallen.speed_rpm - lowest_rpm >= self._margin_rpm for fallen in self._fall[-2:]]
        if point.device_us - self._loaded_us >= SLACK_US or (rising[-1] and not loaded):
            return Sign.RELEASED
        if all(rising):
            return Sign.RECOVERED
        if point.device_us - self._fall[0].device_us > self._settings.longest_s * 1e6:
            return Sign.OVERDUE
        return Sign.NOTHING

    def _move(self, sign: Sign) -> Found | None:
        before, self.phase = self.phase, TABLE.get((self.phase, sign), self.phase)
        if before is not Phase.FALLING and self.phase is Phase.FALLING:
            self._begin()
        elif before is Phase.FALLING and self.phase is not Phase.FALLING:
            return self._end(sign)
        return None

    def _begin(self) -> None:
        """Start the fall at the highest, and of equal ones the latest, of the recent points."""
        top = max(range(len(self._recent)), key=lambda at: (self._recent[at].speed_rpm, at))
        self._fall = list(self._recent)[top:]
        self._recent.clear()

    def _end(self, sign: Sign) -> Found | None:
        points, self._fall = self._trimmed(sign), []
        fall_rpm = points[0].speed_rpm - min(point.speed_rpm for point in points)
        lasted_s = (points[-1].device_us - points[0].device_us) / 1e6
        reasons = self._shortcomings(fall_rpm, lasted_s)
        worth = min(fall_rpm / self._settings.fall_rpm, lasted_s / self._settings.shortest_s)
        if worth < SHORT_SHARE:
            return None
        return Found("short" if reasons else "pull", sign.value, reasons, points)

    def _trimmed(self, sign: Sign) -> tuple[CurvePoint, ...]:
        """Leave out what came after the end: points without load, and the rise after the lowest."""
        points = [point for point in self._fall if point.device_us <= self._loaded_us]
        if sign is Sign.RECOVERED:
            lowest = min(range(len(points)), key=lambda at: points[at].speed_rpm)
            points = points[: lowest + 1]
        return tuple(points)

    def _shortcomings(self, fall_rpm: float, lasted_s: float) -> tuple[str, ...]:
        """Say what is missing to a pull."""
        wanted = self._settings
        reasons = []
        if fall_rpm < wanted.fall_rpm:
            reasons.append(f"speed fell by {fall_rpm:.0f} rpm only; a pull takes {wanted.fall_rpm:.0f}")
        if lasted_s < wanted.shortest_s:
            reasons.append(f"lasted {lasted_s:.1f} s only; a pull takes {wanted.shortest_s:g}")
        if lasted_s > wanted.longest_s:
            reasons.append(f"was not over after {wanted.longest_s:g} s")
        return tuple(reasons)
