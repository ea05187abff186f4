"""The guard as one pure function: `step(setup, state, event, now_ns) -> (state, actions)`.

Every rule can be tested without clocks or ports. Each handler returns the new state and what is to be done;
`step` adds the change of revision and the notes for the recorder.
"""

from typing import Final

from msgspec.structs import replace

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.guard import rules, words
from leverarm_daemon.guard.commands import asked, choose
from leverarm_daemon.guard.moves import Outcome, answer, latch, send, send_limits
from leverarm_daemon.guard.state import (
    Asked,
    Damaged,
    Deny,
    Engine,
    Event,
    Grant,
    GuardState,
    Heard,
    Latch,
    Link,
    LinkDown,
    LinkUp,
    Remember,
    Save,
    Send,
    Setup,
    Tick,
)
from leverarm_daemon.records import CauseSeen, Command, Frame, Hello, Reply, Status
from leverarm_daemon.states import REPLY_WORDS, State

HELLO_AGAIN_NS: Final = 1_000_000_000
LIMITS_AGAIN_NS: Final = 500_000_000
DIFFER_US: Final = 1_000_000
AWAKE_NS: Final = 50_000_000
BAD_LINES: Final = 20
BAD_WITHIN_NS: Final = 1_000_000_000

def _say_hello(state: GuardState, now_ns: int) -> Outcome:
    state, line = send(state, lambda seq: Command(seq, "hello"))
    return replace(state, link=replace(state.link, hello_asked_ns=now_ns)), (line,)


# --- what can happen -----------------------------------------------------------------------------


def _link_up(state: GuardState, now_ns: int) -> Outcome:
    state = replace(state, link=Link(up=True, line_ns=now_ns), engine=Engine())
    state, actions = _say_hello(state, now_ns)
    return state, (*actions, Remember("link", {"up": True, "why": ""}))


def _link_down(state: GuardState, event: LinkDown) -> Outcome:
    if words.is_live(state):
        state = latch(state, "stand-silent")
    return replace(state, link=Link(), engine=Engine()), (Remember("link", {"up": False, "why": event.why}),)


def _damaged(state: GuardState, now_ns: int) -> Outcome:
    bad_ns = (*state.link.bad_ns, now_ns)[-BAD_LINES:]
    state = replace(state, link=replace(state.link, bad_ns=bad_ns))
    if len(bad_ns) == BAD_LINES and now_ns - bad_ns[0] <= BAD_WITHIN_NS and words.is_live(state):
        state = latch(state, "bad-lines")
    return state, ()


def _heard(setup: Setup, state: GuardState, frame: Frame, now_ns: int) -> Outcome:
    engine, found = rules.apply(setup, state.chosen, state.engine, frame)
    state = replace(state, engine=engine, link=replace(state.link, line_ns=now_ns))
    live = words.is_live(state)
    for cause in found:
        if live or (cause == "overspeed" and words.front_state(state) is State.STOPPING):
            state = latch(state, cause)
    match frame:
        case Status():
            return _status(setup, state, frame, now_ns)
        case Hello():
            return _hello(setup, state, frame, now_ns)
        case CauseSeen():
            return _cause_seen(state, frame)
        case Reply():
            return _reply(setup, state, frame, now_ns)
        case _:
            return state, ()


def _hello(setup: Setup, state: GuardState, hello: Hello, now_ns: int) -> Outcome:
    front = words.front_state(state)
    if hello.reset and front not in (None, State.HELD, State.TRIPPED):
        state = latch(state, "stand-restarted")
    status = None if hello.reset else state.link.status
    state = replace(state, link=replace(state.link, hello=hello, status=status), simulated=hello.simulated)
    if hello.version != words.LINK_VERSION:
        return state, ()
    if state.chosen is not None:        # the switches that are there now count, not those of some other day
        state = replace(state, chosen=choose(setup, state.chosen.build, "shield" in hello.inputs))
    return send_limits(state, now_ns)


def _status(setup: Setup, state: GuardState, status: Status, now_ns: int) -> Outcome:
    state = _follow_front(state, status)
    if words.is_live(state):
        state = _judge_live(setup, state, status.device_us)
    state, limits = _compare_limits(state, status, now_ns)
    state, granted = _grant_select(setup, state, status, now_ns)
    state, answered = answer(setup, state, now_ns)
    return state, (*limits, *answered, *granted)


def _follow_front(state: GuardState, status: Status) -> GuardState:
    """Take over the front end's state and cause; notice a restart even when its hello was lost."""
    before, last = words.front_state(state), state.link.status
    restarted = last is not None and last.limits_crc != 0 and status.limits_crc == 0
    hello = None if restarted else state.link.hello
    state = replace(state, link=replace(state.link, status=status, hello=hello))
    if restarted and before not in (State.HELD, State.TRIPPED):
        state = latch(state, "stand-restarted")
    front = words.front_state(state)
    if front is State.TRIPPED and not words.is_pending(state, "reset"):
        state = latch(state, status.cause if status.cause in CAUSES else "stand-tripped")
    if front is State.TRIPPED or (front is State.HELD and not words.is_pending(state, "allow")):
        state = replace(state, asked=False)
    return state


def _judge_live(setup: Setup, state: GuardState, now_us: int) -> GuardState:
    """Latch what must not be while the engine may run."""
    holds = {
        "load-lost": rules.load_lost(state.engine, _load_hz(state), now_us),
        "head-probe": rules.head_lost(setup, state.engine, now_us),
        "limits-differ": words.is_unknown_stand(setup, state),
    }
    for cause in (cause for cause, here in holds.items() if here):
        state = latch(state, cause)
    return state


def _load_hz(state: GuardState) -> float:
    return 0.0 if state.link.hello is None else state.link.hello.load_hz


def _compare_limits(state: GuardState, status: Status, now_ns: int) -> Outcome:
    """Hold the echoed CRC against ours: send again, and trip when it stays different while the engine may run."""
    if state.chosen is None or status.limits_crc == state.chosen.crc:
        return replace(state, link=replace(state.link, differ_since_us=None)), ()
    since_us = status.device_us if state.link.differ_since_us is None else state.link.differ_since_us
    state = replace(state, link=replace(state.link, differ_since_us=since_us))
    if words.is_live(state) and status.device_us - since_us >= DIFFER_US:
        state = latch(state, "limits-differ")
    if state.link.hello is not None and now_ns - state.link.limits_sent_ns >= LIMITS_AGAIN_NS:
        return send_limits(state, now_ns)
    return state, ()


def _grant_select(setup: Setup, state: GuardState, status: Status, now_ns: int) -> Outcome:
    waiting = [p for p in state.pending if p.word == "select"]
    if not waiting or state.chosen is None or status.limits_crc != state.chosen.crc:
        return state, ()
    state = replace(state, pending=tuple(p for p in state.pending if p.word != "select"))
    view = words.view(setup, state, now_ns)
    return state, tuple(Grant(p.client, view) for p in waiting)


def _cause_seen(state: GuardState, frame: CauseSeen) -> Outcome:
    cause = CAUSES.get(frame.cause)
    return (state if cause is None or not cause.latch else latch(state, frame.cause)), ()


def _reply(setup: Setup, state: GuardState, reply: Reply, now_ns: int) -> Outcome:
    waiting = next((p for p in state.pending if p.seq == reply.to and p.word != "select"), None)
    if waiting is None:
        return state, ()
    state = replace(state, pending=tuple(p for p in state.pending if p is not waiting))
    note = Remember("command", {
        "word": waiting.word, "who": waiting.who, "accepted": reply.accepted, "reasons": [reply.reason],
    })
    if not reply.accepted:
        says = REPLY_WORDS.get(reply.reason, reply.reason)
        return state, (Deny(waiting.client, "refused", (f"the stand says: {says}",)), note)
    if waiting.word == "reset":
        state = replace(state, latch=Latch())
    return state, (Grant(waiting.client, words.view(setup, state, now_ns)), note)


def _tick(setup: Setup, state: GuardState, event: Tick, now_ns: int) -> Outcome:
    newcomer = event.recorder and not state.followed
    state = replace(state, followed=event.recorder, recorder_ns=now_ns if event.recorder else state.recorder_ns)
    awake = now_ns - state.tick_ns < AWAKE_NS       # lines may lie unread when the guard itself was held up
    state = replace(state, tick_ns=now_ns)
    if awake and words.silent(setup, state, now_ns) and words.is_live(state):
        state = latch(state, "stand-silent")
    late = tuple(p for p in state.pending if now_ns > p.until_ns)
    state = replace(state, pending=tuple(p for p in state.pending if p not in late))
    denied = tuple(Deny(p.client, "refused", ("the stand does not answer",)) for p in late)
    unknown = state.link.hello is None and now_ns - state.link.hello_asked_ns >= HELLO_AGAIN_NS
    if state.link.up and (unknown or newcomer):     # a new listener has not heard the hello either
        state, hello = _say_hello(state, now_ns)
        return state, (*denied, *hello)
    return state, denied


def _handle(setup: Setup, state: GuardState, event: Event, now_ns: int) -> Outcome:
    match event:
        case Heard(frame):
            return _heard(setup, state, frame, now_ns)
        case Tick():
            return _tick(setup, state, event, now_ns)
        case Asked():
            return asked(setup, state, event, now_ns)
        case Damaged():
            return _damaged(state, now_ns)
        case LinkUp():
            return _link_up(state, now_ns)
        case LinkDown():
            return _link_down(state, event)


def step(setup: Setup, state: GuardState, event: Event, now_ns: int) -> Outcome:
    """Take one event; give the new state and what is to be done, in this order."""
    after, actions = _handle(setup, state, event, now_ns)
    if after.latch.first != state.latch.first and not any(isinstance(action, Send) for action in actions):
        after, answered = answer(setup, after, now_ns)      # a cause does not wait for the next status line
        actions = (*answered, *actions)
    if _public(after) == _public(state):
        return after, actions
    after = replace(after, revision=after.revision + 1)
    note = Remember("state", {"state": words.front_state(after), "first_cause": after.latch.first,
                              "followed_by": list(after.latch.followed)})
    save = (Save(),) if after.latch != state.latch or after.chosen != state.chosen else ()
    return after, (*actions, *save, note)      # the stand is answered before the disk is waited for


def _public(state: GuardState) -> tuple[object, ...]:
    """Give what a person sees change; each change gets a new revision."""
    chosen = None if state.chosen is None else (state.chosen.build, state.chosen.crc)
    return words.front_state(state), state.latch, chosen, state.link.up, state.link.hello is None
