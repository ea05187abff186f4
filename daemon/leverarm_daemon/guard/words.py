"""What the guard says: why a start may not be allowed, its answer to the stand, its view for people."""

from typing import Final

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.guard import rules
from leverarm_daemon.guard.state import GuardState, Setup
from leverarm_daemon.records import GuardView
from leverarm_daemon.states import IGNITION_LIVE, State

LINK_VERSION: Final = 1
RECORDER_NS: Final = 3_000_000_000
SPEED_US: Final = 100_000

_NOT_NOW: Final = {
    State.START_ALLOWED: "a start is already allowed",
    State.RUNNING: "the engine runs",
    State.STOPPING: "the engine is stopping: wait until it stands still",
}


def front_state(state: GuardState) -> State | None:
    """Give the state that the front end reported last, or None when it has not, or not one we know."""
    if state.link.status is None:
        return None
    try:
        return State(state.link.status.state)
    except ValueError:
        return None


def is_unknown_stand(setup: Setup, state: GuardState) -> bool:
    """Tell whether the engine may run under limits that this guard does not know, or cannot mean the same by."""
    hello = state.link.hello
    if state.chosen is None:
        return True
    return hello is not None and (
        hello.version != LINK_VERSION or hello.pulses_per_rev != setup.stand.pickup.pulses_per_rev
    )


def is_live(state: GuardState) -> bool:
    """Tell whether the run relay may be energised."""
    return front_state(state) in IGNITION_LIVE


def silent(setup: Setup, state: GuardState, now_ns: int) -> bool:
    """Tell whether the stand has said nothing for longer than an answer may be old."""
    return now_ns - state.link.line_ns > setup.stand.link.answer_age_max_ms * 1_000_000


def link_reasons(setup: Setup, state: GuardState, now_ns: int) -> tuple[str, ...]:
    """Give what is wrong with the stand link, in words; empty when it is sound."""
    link = state.link
    if not link.up:
        return (f"the stand is not connected ({setup.stand.link.port}): look at the cable and the port's name",)
    if link.hello is not None and link.hello.version != LINK_VERSION:
        return (f"the front end speaks version {link.hello.version} of the stand link, this guard {LINK_VERSION}",)
    if link.status is None or silent(setup, state, now_ns):
        return ("the stand does not report: look at the supply of the front end",)
    if link.hello is None:
        return ("the front end has not said hello: switch it off and on again",)
    if setup.stand.limits.head_trip_c is not None and "head" not in link.hello.temps:
        return ("a head limit is set, but the front end has no probe named head: wire one, or remove the limit",)
    if link.hello.stand != setup.stand.stand.name:
        return (f"the front end belongs to stand {link.hello.stand}, the stand file to {setup.stand.stand.name}",)
    declared, expected = link.hello.pulses_per_rev, setup.stand.pickup.pulses_per_rev
    if declared != expected:
        return (f"the front end counts {declared:g} pulses a revolution, the stand file says {expected:g}",)
    return ()


def _engine_reasons(setup: Setup, state: GuardState) -> tuple[str, ...]:
    status, hello = state.link.status, state.link.hello
    if status is None or hello is None:
        return ()
    standing = rules.standing(setup, state.engine, hello.load_hz, status.device_us)
    loop = () if "loop" in status.inputs else ("stop-loop",)
    turning = ("the crank still turns",) if _speed_rpm(state) is not None and front_state(state) is State.HELD else ()
    return (*turning, *(CAUSES[cause].words for cause in (*loop, *standing)))


def why_not(setup: Setup, state: GuardState, now_ns: int) -> tuple[str, ...]:
    """Give every reason against allowing a start, each in words; empty when nothing speaks against it."""
    link = link_reasons(setup, state, now_ns)
    if link:
        return link
    front = front_state(state)
    now = (_NOT_NOW[front],) if front in _NOT_NOW else ()
    if state.latch.first is not None:
        now = (*now, f"tripped: {CAUSES[state.latch.first].words}. Reset it first",)
    build: tuple[str, ...] = ()
    if state.chosen is None:
        build = ("no build is selected",)
    elif state.link.status is not None and state.link.status.limits_crc != state.chosen.crc:
        build = (CAUSES["limits-differ"].words,)
    return (*now, *build, *_engine_reasons(setup, state))


def is_pending(state: GuardState, word: str) -> bool:
    """Tell whether a command waits for the stand's reply."""
    return any(pending.word == word for pending in state.pending)


def verdict(setup: Setup, state: GuardState, now_ns: int) -> str:
    """Give what is answered to the stand: a cause that trips, "stop" or "ok"."""
    if is_pending(state, "reset"):
        return "stop"
    if state.latch.first is not None:
        return state.latch.first
    if state.asked or (front_state(state) is State.HELD and why_not(setup, state, now_ns)):
        return "stop"
    return "ok"


def notices(state: GuardState, now_ns: int) -> tuple[str, ...]:
    """Give the ids of what a person should know although nothing stops for it."""
    status = state.link.status
    engine = () if status is None else rules.notices(state.engine, status.device_us)
    deaf = state.recorder_ns is None or now_ns - state.recorder_ns > RECORDER_NS
    return (*engine, *(("recorder-silent",) if deaf else ()))


def _speed_rpm(state: GuardState) -> float | None:
    status, edge_us = state.link.status, state.engine.edge_us
    interval_us = state.engine.interval_us
    if status is None or edge_us is None or interval_us is None:
        return None
    silence_us = status.device_us - edge_us
    return state.engine.speed_rpm if silence_us <= max(3 * interval_us, SPEED_US) else None


def _inputs(state: GuardState) -> tuple[tuple[str, bool], ...]:
    status, hello = state.link.status, state.link.hello
    if status is None or hello is None:
        return ()
    return tuple((name, name in status.inputs) for name in hello.inputs)


def view(setup: Setup, state: GuardState, now_ns: int) -> GuardView:
    """Give the guard's view for people and for the API."""
    link = link_reasons(setup, state, now_ns)
    front = front_state(state)
    return GuardView(
        boot=setup.boot,
        revision=state.revision,
        state=State.TRIPPED if state.latch.first is not None else front or "unknown",
        first_cause=state.latch.first or (None if state.link.status is None else state.link.status.cause),
        followed_by=state.latch.followed,
        notices=notices(state, now_ns),
        why_not=why_not(setup, state, now_ns),
        build=None if state.chosen is None else state.chosen.build.name,
        trip_rpm=None if state.chosen is None else state.chosen.trip_rpm,
        start_cap_rpm=setup.stand.limits.start_cap_rpm,
        speed_rpm=_speed_rpm(state),
        link=link[0] if link else "up",
        simulated=state.simulated,
        recorder=state.recorder_ns is not None and now_ns - state.recorder_ns <= RECORDER_NS,
        inputs=_inputs(state),
    )
