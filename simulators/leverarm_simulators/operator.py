"""The person at the stand: a table of tasks, worked one after the other.

They see the tachometer on the bench, a clock and the run lamp, and nothing of what computers think; what they do goes
through a pair of `Hands`, which the world looks at after each tick.
"""

import random
from collections.abc import Callable
from enum import StrEnum
from typing import ClassVar, NamedTuple

from leverarm_simulators.brake import grip_m
from leverarm_simulators.scenario import Scenario

TICK_US = 20_000
THROTTLE_PER_S = 5.0
"""How fast the hand throttle is moved, in openings a second."""
TOP_S = 0.2
"""How long the top speed is held before the strap is tightened."""


class Do(StrEnum):
    """What the person can be told to do."""

    FIT = "fit the filter"
    AWAIT_LAMP = "wait for the run lamp"
    CORD = "pull the cord until it runs"
    SHUT = "shut the shield"
    WARM = "let it warm up"
    PULL = "pull: full throttle, strap tighter and tighter"
    REST = "let it idle"
    AWAIT_STILL = "wait until it stands still"
    OPEN = "open the shield"
    LET_GO = "full throttle, and the brake lets go"
    KEY = "fit a new strap and hold the key until the run lamp is lit"


class Task(NamedTuple):
    """One line of the table; `what` names the filter where one is fitted."""

    do: Do
    what: str = ""


class Seen(NamedTuple):
    """What the person sees."""

    now_s: float
    speed_rpm: float
    lamp: bool


class Hands:
    """What the person's hands do: `pulls` and `cords` are counted as they begin, `strap_n` is the pull on the strap."""

    def __init__(self) -> None:
        self.opening = 0.0
        self.strap_n = 0.0
        self.filter = ""
        self.shield_shut = False
        self.key = False
        self.strap_whole = True
        self.cords = 0
        self.pulls = 0


def session(name: str, pulls: int) -> list[Task]:
    """Give the table from fitting a filter to idling after the last of so many pulls."""
    start = [Task(Do.FIT, name), Task(Do.AWAIT_LAMP), Task(Do.CORD), Task(Do.SHUT), Task(Do.WARM)]
    return start + [Task(Do.PULL), Task(Do.REST)] * pulls


def campaign_script(scenario: Scenario) -> list[Task]:
    """Give the table for a whole campaign: a session for each run of equal builds; at last the brake lets go."""
    script: list[Task] = []
    builds = scenario.builds()
    begin = 0
    for end in range(1, len(builds) + 1):
        if end == len(builds) or builds[end] != builds[begin]:
            script += [*session(builds[begin], end - begin), Task(Do.AWAIT_STILL), Task(Do.OPEN)]
            begin = end
    if scenario.campaign.brake_fails:
        script.insert(len(script) - 2, Task(Do.LET_GO))
    return script


def encore(scenario: Scenario) -> list[Task]:
    """Give the table that is repeated for ever after the campaign: a new strap, then three pulls at each start."""
    fit, _, *work = session(scenario.builds()[0], 3)
    return [Task(Do.AWAIT_STILL), Task(Do.OPEN), fit, Task(Do.KEY), *work]


class Strap:
    """Keeps the speed on a wanted course by hand: pulls harder when it runs too fast."""

    NM_PER_RPM = 0.022
    NM_PER_RPM_S = 0.035

    def __init__(self, held_nm: float) -> None:
        self._held_nm = held_nm

    def nm(self, too_fast_rpm: float, seconds: float) -> float:
        """Give the torque wanted now, `seconds` after the last time."""
        self._held_nm = max(0.0, self._held_nm + self.NM_PER_RPM_S * too_fast_rpm * seconds)
        return max(0.0, self._held_nm + self.NM_PER_RPM * too_fast_rpm)


class Operator:
    """Works the campaign's table once, then the encore for ever. `tick` is called every 20 ms.

    The strap is pulled as if it gripped as it does cold; what is lacking is seen on the tachometer, and made good.
    """

    def __init__(self, scenario: Scenario, rng: random.Random) -> None:
        self.spec = scenario.operator
        self.hands = Hands()
        self._tasks = campaign_script(scenario)
        self._again = encore(scenario)
        self._grip_m = grip_m(scenario.brake, 20.0)
        self._rng = rng
        self._at = 0
        self._began_s: float | None = None
        self._tried_s = 0.0
        self._strap = Strap(0.0)
        self._from_rpm = 0.0
        self._let_go_s: float | None = None

    @property
    def task(self) -> Task | None:
        """The task at hand; None when there is nothing left to do."""
        return self._tasks[self._at] if self._at < len(self._tasks) else None

    def tick(self, seen: Seen) -> None:
        """Look, and move the hands."""
        task = self.task
        if task is None:
            self._tasks, self._at = self._again, 0
            return
        if self._began_s is None:
            self._began_s = seen.now_s
            self._begin(seen)
        if self._WORK[task.do](self, seen, seen.now_s - self._began_s):
            self._at += 1
            self._began_s = None

    def _begin(self, seen: Seen) -> None:
        """Get ready for a task."""
        self._tried_s = -10.0
        self._from_rpm = seen.speed_rpm
        self._strap = Strap(9.0)
        self._let_go_s = None

    def _fit(self, seen: Seen, since_s: float) -> bool:
        self.hands.filter = self._tasks[self._at].what
        return since_s >= self.spec.fit_s

    def _await_lamp(self, seen: Seen, since_s: float) -> bool:
        """Wait; before the first start with the key turned, so that a trip of an earlier session can be reset."""
        self.hands.key = self.hands.cords == 0 and not seen.lamp
        return seen.lamp

    def _cord(self, seen: Seen, since_s: float) -> bool:
        if not seen.lamp or (seen.speed_rpm > 1000.0 and since_s - self._tried_s > 1.0):
            return True
        if since_s - self._tried_s > 1.5 and seen.speed_rpm < 500.0:
            self._tried_s = since_s
            self.hands.cords += 1
        return False

    def _shut(self, seen: Seen, since_s: float) -> bool:
        self.hands.shield_shut = since_s >= 0.3
        return self.hands.shield_shut

    def _warm(self, seen: Seen, since_s: float) -> bool:
        return since_s >= self.spec.warm_s or not seen.lamp

    def _rest(self, seen: Seen, since_s: float) -> bool:
        return since_s >= self.spec.rest_s or not seen.lamp

    def _await_still(self, seen: Seen, since_s: float) -> bool:
        return seen.speed_rpm == 0.0 and not seen.lamp

    def _open(self, seen: Seen, since_s: float) -> bool:
        self.hands.shield_shut = since_s < 0.3
        return not self.hands.shield_shut

    def _key(self, seen: Seen, since_s: float) -> bool:
        """Ten seconds to fit a new strap; then the key, until whoever sits at the computer has reset and allowed."""
        ready = since_s > 10.0
        self.hands.strap_whole = self.hands.strap_whole or ready
        self.hands.key = ready and not seen.lamp
        return seen.lamp

    def _fallen_s(self, since_s: float) -> float:
        """Give how long the speed has been meant to fall: after the way up and a moment at the top."""
        rise_s = (self.spec.top_rpm - self._from_rpm) / self.spec.rise_rpm_per_s
        return max(0.0, since_s - rise_s - TOP_S)

    def _course_rpm(self, since_s: float) -> float:
        """Give the speed wanted: up to the top, a moment there, and down at a steady rate."""
        spec = self.spec
        fall_rpm = (spec.top_rpm - spec.bottom_rpm) * self._fallen_s(since_s) / spec.fall_s
        return min(self._from_rpm + spec.rise_rpm_per_s * since_s, spec.top_rpm) - fall_rpm

    def _work(self, seen: Seen, wanted_rpm: float) -> None:
        """Throttle open, and the strap pulled so that the speed follows; no hand is quite steady."""
        self._open_throttle()
        shake = self._rng.gauss(1.0, self.spec.shake)
        wanted_nm = self._strap.nm(seen.speed_rpm - wanted_rpm, TICK_US / 1e6)
        self.hands.strap_n = min(self.spec.strongest_n, shake * wanted_nm / self._grip_m)

    def _open_throttle(self) -> None:
        self.hands.opening = min(1.0, self.hands.opening + THROTTLE_PER_S * TICK_US / 1e6)

    def _release(self) -> bool:
        """Throttle shut, strap slack."""
        self.hands.opening = 0.0
        self.hands.strap_n = 0.0
        return True

    def _pull(self, seen: Seen, since_s: float) -> bool:
        if not seen.lamp:
            return self._release()
        if since_s == 0.0:
            self.hands.pulls += 1
        self._work(seen, self._course_rpm(since_s))
        late_s = self._fallen_s(since_s) - self.spec.fall_s
        over = late_s > 0.0 and seen.speed_rpm < self.spec.bottom_rpm + 20.0
        return self._release() if over or late_s > 1.0 else False

    def _let_go(self, seen: Seen, since_s: float) -> bool:
        """Steady at full throttle; the strap breaks after two seconds; shut the throttle a reaction time later."""
        if self._let_go_s is None and not seen.lamp:
            return self._release()
        rise_rpm = self._from_rpm + self.spec.rise_rpm_per_s * since_s
        self._work(seen, min(rise_rpm, self.spec.fails_at_rpm))
        if self._let_go_s is None and since_s >= 2.5:
            self.hands.strap_whole = False
            self._let_go_s = since_s
        gone = self._let_go_s is not None and since_s >= self._let_go_s + self.spec.reaction_s
        return self._release() if gone else False

    _WORK: ClassVar[dict[Do, Callable[["Operator", Seen, float], bool]]] = {
        Do.FIT: _fit, Do.AWAIT_LAMP: _await_lamp, Do.CORD: _cord, Do.SHUT: _shut, Do.WARM: _warm, Do.PULL: _pull,
        Do.REST: _rest, Do.AWAIT_STILL: _await_still, Do.OPEN: _open, Do.LET_GO: _let_go, Do.KEY: _key,
    }
    """What each task calls at every tick, with the time since it began, until it says that it is done."""
