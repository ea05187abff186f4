"""What people may ask of the guard: stop always; allow, reset and select only when nothing speaks against it."""

from typing import Final

from msgspec.structs import replace

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.errors import Refused
from leverarm_daemon.guard import rules, words
from leverarm_daemon.guard.limits import device_limits, trip_speed_rpm
from leverarm_daemon.guard.moves import Outcome, answer, following, send, send_limits
from leverarm_daemon.guard.state import (
    Asked,
    Chosen,
    Deny,
    Grant,
    GuardState,
    Pending,
    Remember,
    Setup,
)
from leverarm_daemon.ipc.messages import Allow, Ask, Reset, Select, Stop
from leverarm_daemon.records import Build, Command, Limits
from leverarm_daemon.states import State

REPLY_NS: Final = 1_000_000_000
MAX_PENDING: Final = 16


def choose(setup: Setup, build: Build, shield_fitted: bool) -> Chosen:
    """Work out the limits of a build; raises Refused.

    Until a hello tells whether there is a shield switch, one is taken to be there: it must be shut while running.
    """
    trip_rpm = trip_speed_rpm(build, setup.stand.pickup.pulses_per_rev)
    values = device_limits(setup.stand, trip_rpm, shield_fitted)
    return Chosen(build, trip_rpm, values, Limits(0, values).crc())


def asked(setup: Setup, state: GuardState, event: Asked, now_ns: int) -> Outcome:
    """Take a request of a client."""
    request, client = event.request, event.client
    match request:
        case Ask():
            return state, (Grant(client, words.view(setup, state, now_ns)),)
        case Stop():
            return _stop(setup, state, client, request.who, now_ns)
        case Allow() | Reset() | Select():
            return _careful(setup, state, client, request, now_ns)


def _stop(setup: Setup, state: GuardState, client: int, who: str, now_ns: int) -> Outcome:
    """Stop: the next answer says so, and it is sent at once. Never refused, also when nothing turns."""
    turning = words.front_state(state) not in (State.HELD, State.TRIPPED) or words.is_pending(state, "allow")
    state, answered = answer(setup, replace(state, asked=turning), now_ns)
    note = Remember("command", {"word": "stop", "who": who, "accepted": True, "reasons": []})
    return state, (*answered, Grant(client, words.view(setup, state, now_ns)), note)


def _careful(setup: Setup, state: GuardState, client: int, request: Allow | Reset | Select, now_ns: int) -> Outcome:
    """Refuse what was asked on an old picture of the stand, or what something speaks against."""
    if request.revision != state.revision:
        return state, (Deny(client, "stale", ("the stand has changed",)),)
    if len(state.pending) >= MAX_PENDING:
        return state, (Deny(client, "refused", ("too many requests wait for the stand",)),)
    try:
        match request:
            case Allow():
                return _allow(setup, state, client, request, now_ns)
            case Reset():
                return _reset(setup, state, client, request, now_ns)
            case Select():
                return _select(setup, state, client, request, now_ns)
    except Refused as refused:
        note = Remember("command", {"word": _WORDS[type(request)], "who": request.who, "accepted": False,
                                    "reasons": list(refused.reasons)})
        return state, (Deny(client, "refused", refused.reasons), note)


def _order(setup: Setup, state: GuardState, client: int, word: str, who: str, now_ns: int) -> Outcome:
    """Send a command, and before it the answer of this moment, by which the stand judges the command.

    A reset that waits turns the answer from the cause to "stop".
    """
    waiting = Pending(following(state.seq), client, word, who, now_ns + REPLY_NS)
    state, answered = answer(setup, replace(state, pending=(*state.pending, waiting)), now_ns)
    state, line = send(state, lambda seq: Command(seq, word))
    return state, (*answered, line)


def _allow(setup: Setup, state: GuardState, client: int, request: Allow, now_ns: int) -> Outcome:
    reasons = words.why_not(setup, state, now_ns)
    if reasons:
        raise Refused(reasons)
    return _order(setup, state, client, "allow", request.who, now_ns)


def _reset(setup: Setup, state: GuardState, client: int, request: Reset, now_ns: int) -> Outcome:
    reasons = _reset_reasons(setup, state, now_ns)
    if reasons:
        raise Refused(reasons)
    return _order(setup, state, client, "reset", request.who, now_ns)


def _reset_reasons(setup: Setup, state: GuardState, now_ns: int) -> tuple[str, ...]:
    first, status, hello = state.latch.first, state.link.status, state.link.hello
    if first is None:
        return ("nothing is tripped",)
    if status is None or hello is None or words.silent(setup, state, now_ns):
        return ("the stand does not report: look at the supply of the front end",)
    causes = (first, *state.latch.followed)
    standing = rules.standing(setup, state.engine, hello.load_hz, status.device_us)
    reasons = tuple(f"still so: {CAUSES[cause].words}" for cause in causes if cause in standing)
    if "shield-open" in causes and "shield" not in status.inputs:
        reasons = (*reasons, f"still so: {CAUSES['shield-open'].words}")
    if any(CAUSES[cause].key_reset for cause in causes) and "key" not in status.inputs:
        reasons = (*reasons, "this cause is reset at the stand: turn the key, and ask again while it is turned")
    return reasons


def _select(setup: Setup, state: GuardState, client: int, request: Select, now_ns: int) -> Outcome:
    link, hello = words.link_reasons(setup, state, now_ns), state.link.hello
    if link or hello is None:
        raise Refused(link)
    if words.front_state(state) is not State.HELD:
        raise Refused(("a build is selected only while the engine is held",))
    chosen = choose(setup, request.build, "shield" in hello.inputs)
    state, limits = send_limits(replace(state, chosen=chosen), now_ns)
    pending = Pending(state.seq, client, "select", request.who, now_ns + REPLY_NS)
    note = Remember("select", {"who": request.who, "build": request.build, "trip_rpm": chosen.trip_rpm})
    return replace(state, pending=(*state.pending, pending)), (*limits, note)


_WORDS: Final = {Allow: "allow", Reset: "reset", Select: "select"}
