"""The table of states: complete, and with no way out of a trip but a reset."""

import re
from pathlib import Path

import pytest

from leverarm_daemon.states import IGNITION_LIVE, REPLY_WORDS, TRANSITIONS, State, Step, after


def test_each_state_has_its_row_and_each_step_its_use() -> None:
    assert set(TRANSITIONS) == set(State)
    assert {step for steps in TRANSITIONS.values() for step in steps} == set(Step)


def test_each_state_can_be_reached_from_the_first_and_left_again() -> None:
    reached, todo = {State.HELD}, [State.HELD]
    while todo:
        new = set(TRANSITIONS[todo.pop()].values()) - reached
        reached |= new
        todo += new
    assert reached == set(State)
    assert all(TRANSITIONS.values())


def test_a_trip_is_possible_everywhere_and_left_only_by_a_reset_into_held() -> None:
    assert all(after(state, Step.TRIP) is State.TRIPPED for state in State)
    assert TRANSITIONS[State.TRIPPED] == {Step.RESET: State.HELD}


def test_the_ignition_goes_live_only_by_an_allowed_start() -> None:
    into = {
        (state, step)
        for state, steps in TRANSITIONS.items()
        for step, target in steps.items()
        if target in IGNITION_LIVE and state not in IGNITION_LIVE
    }
    assert into == {(State.HELD, Step.ALLOW)}


def test_running_is_entered_only_with_the_shield_shut() -> None:
    into = {(s, step) for s, steps in TRANSITIONS.items() for step, to in steps.items() if to is State.RUNNING}
    assert into == {(State.START_ALLOWED, Step.SHUT)}


@pytest.mark.parametrize("state", IGNITION_LIVE)
def test_a_stop_grounds_the_ignition(state: State) -> None:
    assert after(state, Step.STOP) not in IGNITION_LIVE


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("step", Step)
def test_a_step_that_the_table_does_not_know_changes_nothing(state: State, step: Step) -> None:
    assert after(state, step) is TRANSITIONS[state].get(step, state)


def test_each_word_with_which_the_front_end_refuses_has_its_meaning() -> None:
    protocol = (Path(__file__).parents[3] / "daemon" / "PROTOCOL.md").read_text()
    table = protocol[protocol.index("### R: reply"):protocol.index("## 4. ")]
    rows = [line for line in table.splitlines() if line.startswith("|")]
    assert set(re.findall(r"`([a-z]+(?:-[a-z]+)+|unknown)`", "".join(rows))) == set(REPLY_WORDS)
