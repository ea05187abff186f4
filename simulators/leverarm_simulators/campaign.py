"""The administrative half of the demonstration: select, allow, stop, in the right order, at the right moment.

`campaign` is a generator: it is sent what can be seen (`Seen`) and gives the order of the moment, or None. It knows no
clock, no socket and no simulator, so that the real-time demonstration and the one without a clock share it.
"""

from collections.abc import Callable, Generator
from typing import Literal, NamedTuple

from leverarm_daemon.errors import LeverarmError
from leverarm_daemon.records import GuardView
from leverarm_daemon.states import IGNITION_LIVE, State

ORDER_AGAIN_S = 1.0
REST_S = 30.0
START_S = 30.0
PULL_S = 25.0
TRIP_S = 25.0


class CampaignFailed(LeverarmError):
    """What should have happened did not, in time; says what the guard showed then."""


class Seen(NamedTuple):
    """What the campaign sees: a clock, the guard's view, how many whole pulls and trips are recorded."""

    now_s: float
    view: GuardView
    pulls: int
    trips: int


class Order(NamedTuple):
    """What the campaign wants done; `build` for "select"."""

    word: Literal["select", "allow", "stop", "reset"]
    build: str = ""


class Session(NamedTuple):
    """A build, and how many pulls are made before the engine is stopped."""

    build: str
    pulls: int


Reached = Callable[[Seen], bool]
Orders = Generator[Order | None, Seen, None]
Steps = Generator[Order | None, Seen, Seen]


def sessions(builds: tuple[str, ...]) -> list[Session]:
    """Gather equal neighbours: a filter change is due only where the build changes."""
    found: list[Session] = []
    for build in builds:
        if found and found[-1].build == build:
            found[-1] = Session(build, found[-1].pulls + 1)
        else:
            found.append(Session(build, 1))
    return found


def campaign(builds: tuple[str, ...], brake_fails: bool) -> Orders:
    """Give the orders of a whole campaign; raises CampaignFailed. Send the first `Seen` after one `next`."""
    seen = yield None
    plan, pulls = sessions(builds), seen.pulls
    if seen.view.state == State.TRIPPED:        # since an earlier session; the person holds the key
        yield from _order(Order("reset"), _is_held, REST_S, "the old trip is not reset", may_trip=True)
    for number, (build, due) in enumerate(plan):
        pulls += due
        last = brake_fails and number == len(plan) - 1
        yield from _start(build)
        yield from _until(_pulled(pulls), due * PULL_S + START_S, f"pull {pulls} is not found", may_trip=last)
        if not last:
            yield from _order(Order("stop"), lambda s: s.view.state not in IGNITION_LIVE, REST_S, "no stop is taken")
    if brake_fails:
        yield from _until(lambda s: s.view.state == State.TRIPPED, TRIP_S, "nothing trips when the brake lets go")
        yield from _until(lambda s: s.trips > 0, TRIP_S, "the trip is not recorded", may_trip=True)


def _start(build: str) -> Steps:
    """Held and still, another build, a start allowed; then the person pulls the cord and shuts the shield."""
    yield from _until(_at_rest, REST_S, "it does not come to rest")
    chosen = Order("select", build)
    yield from _order(chosen, lambda s: s.view.build == build and not s.view.why_not, REST_S, f"{build} is not taken")
    yield from _order(Order("allow"), lambda s: s.view.state in IGNITION_LIVE, REST_S, "no start is allowed")
    return (yield from _until(lambda s: s.view.state == State.RUNNING, START_S, "the engine does not start"))


def _is_held(seen: Seen) -> bool:
    return seen.view.state == State.HELD


def _at_rest(seen: Seen) -> bool:
    return _is_held(seen) and not seen.view.speed_rpm and seen.view.link == "up"


def _pulled(pulls: int) -> Reached:
    return lambda seen: seen.pulls >= pulls


def _order(order: Order, reached: Reached, within_s: float, problem: str, *, may_trip: bool = False) -> Steps:
    """Give an order, and again every second, until what it is for is reached: a refusal may pass."""
    seen = yield order
    end_s, again_s = seen.now_s + within_s, seen.now_s + ORDER_AGAIN_S
    while not reached(seen):
        _check(seen, end_s, problem, may_trip)
        due = seen.now_s >= again_s
        again_s = seen.now_s + ORDER_AGAIN_S if due else again_s
        seen = yield order if due else None
    return seen


def _until(reached: Reached, within_s: float, problem: str, *, may_trip: bool = False) -> Steps:
    """Wait until something is reached."""
    seen = yield None
    end_s = seen.now_s + within_s
    while not reached(seen):
        _check(seen, end_s, problem, may_trip)
        seen = yield None
    return seen


def _check(seen: Seen, end_s: float, problem: str, may_trip: bool) -> None:
    view = seen.view
    if view.state == State.TRIPPED and not may_trip:
        silent = view.first_cause in ("stand-silent", "guard-silent")
        hint = ". This machine was too busy to answer in time: try again with less going on" if silent else ""
        raise CampaignFailed(f"it tripped where nothing should: {view.first_cause}{hint}")
    if seen.now_s > end_s:
        cause = f", first cause {view.first_cause}" if view.first_cause else ""
        why_not = f"; against a start: {', '.join(view.why_not)}" if view.why_not else ""
        raise CampaignFailed(f"{problem}: the stand is {view.state}{cause}; {seen.pulls} pulls so far{why_not}")
