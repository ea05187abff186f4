"""The states of the stand, as one table.

The front end keeps the state, since it must be able to act alone; the guard follows it from the
status lines. `deploy/firmware/tables.py` and the diagram in SAFETY.md are made from this table
(`python -m leverarm_daemon.tables`), and a test compares them.
"""

from collections.abc import Iterable
from enum import StrEnum
from typing import Final


class State(StrEnum):
    """Where the stand stands. In all but two of them the ignition is grounded."""

    HELD = "held"
    START_ALLOWED = "start-allowed"
    RUNNING = "running"
    STOPPING = "stopping"
    TRIPPED = "tripped"


class Step(StrEnum):
    """What moves the stand from one state to another."""

    ALLOW = "allow"          # a person allows a start
    SHUT = "shut"            # turning by itself, shield shut, nothing forbids the full limit
    STOP = "stop"            # a person, the guard or the stop loop asks for an ordinary stop
    CAP = "cap"              # faster than the start cap while only a start was allowed
    LAPSE = "lapse"          # nobody pulled the cord for too long
    STILL = "still"          # the crankshaft has stopped turning
    TRIP = "trip"            # a latching cause
    RESET = "reset"          # a person resets, with the cause gone


TRANSITIONS: Final[dict[State, dict[Step, State]]] = {
    State.HELD: {Step.ALLOW: State.START_ALLOWED, Step.TRIP: State.TRIPPED},
    State.START_ALLOWED: {
        Step.SHUT: State.RUNNING,
        Step.STOP: State.STOPPING,
        Step.CAP: State.STOPPING,
        Step.LAPSE: State.HELD,
        Step.TRIP: State.TRIPPED,
    },
    State.RUNNING: {Step.STOP: State.STOPPING, Step.STILL: State.HELD, Step.TRIP: State.TRIPPED},
    State.STOPPING: {Step.STILL: State.HELD, Step.TRIP: State.TRIPPED},
    State.TRIPPED: {Step.RESET: State.HELD},
}

IGNITION_LIVE: Final = (State.START_ALLOWED, State.RUNNING)
"""The states in which the run relay may be energised."""


INPUT_WORDS: Final[dict[str, tuple[str, str]]] = {
    "loop": ("stop loop closed", "stop loop open"),
    "shield": ("shield shut", "shield open"),
    "key": ("key turned", "key not turned"),
    "throttle": ("throttle open", "throttle not open"),
}
"""What people call an input of the front end: closed or on, and not."""


def input_words(inputs: Iterable[tuple[str, bool]]) -> list[str]:
    """Tell in words what each input shows."""
    return [INPUT_WORDS.get(name, (f"{name} on", f"{name} off"))[not on] for name, on in inputs]


REPLY_WORDS: Final[dict[str, str]] = {
    "not-held": "it is not held",
    "no-limits": "it holds no limits: select the build again",
    "still-turning": "the crank still turns: wait until it stands still",
    "stop-loop": "the stop loop is open: release the stop button on the stand",
    "guard-says-no": "the guard says no, or its answer came too late: ask again",
    "not-tripped": "it is not tripped",
    "bad-limits": "the limits are not good: guard and front end may be of different versions",
    "unknown": "it does not know this word: guard and front end may be of different versions",
}
"""What the front end means by the one word with which it refuses."""


def after(state: State, step: Step) -> State:
    """Give the state after a step; a step that the table does not know changes nothing."""
    return TRANSITIONS[state].get(step, state)
