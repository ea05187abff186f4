"""The small moves that commands and events share: latch a cause, number a line, answer the stand."""

from collections.abc import Callable

from msgspec.structs import replace

from leverarm_daemon.guard import words
from leverarm_daemon.guard.state import Action, GuardState, Latch, Send, Setup
from leverarm_daemon.records import Answer, Command, Limits

Outcome = tuple[GuardState, tuple[Action, ...]]


def latch(state: GuardState, cause: str) -> GuardState:
    """Keep a cause: the first one for good, later ones as followers."""
    first, followed = state.latch.first, state.latch.followed
    if first is None:
        return replace(state, latch=Latch(cause), asked=False)
    if cause == first or cause in followed:
        return state
    return replace(state, latch=Latch(first, (*followed, cause)))


def send(state: GuardState, make: Callable[[int], Answer | Command | Limits]) -> tuple[GuardState, Send]:
    """Give a frame for the stand the next number."""
    return replace(state, seq=following(state.seq)), Send(make(state.seq))


def following(seq: int) -> int:
    """Give the sequence number after this one."""
    return (seq + 1) % 1_000_000


def answer(setup: Setup, state: GuardState, now_ns: int) -> Outcome:
    """Answer the newest status line with the present verdict."""
    status = state.link.status
    if status is None:
        return state, ()
    say = words.verdict(setup, state, now_ns)
    state, line = send(state, lambda seq: Answer(seq, status.seq, say))
    return state, (line,)


def send_limits(state: GuardState, now_ns: int) -> Outcome:
    """Send the limits of the build on the brake, if there is one."""
    chosen = state.chosen
    if chosen is None:
        return state, ()
    state, line = send(state, lambda seq: Limits(seq, chosen.values))
    return replace(state, link=replace(state.link, limits_sent_ns=now_ns)), (line,)
