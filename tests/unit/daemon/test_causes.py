"""The table of causes: each one tells who acts, what happens, and what a person does next."""

import re

import pytest

from leverarm_daemon.causes import _ALL, AFTER_A_TRIP, CAUSES, Cause

each = pytest.mark.parametrize("cause", CAUSES.values(), ids=CAUSES.keys())


def test_no_id_is_there_twice() -> None:
    assert len(CAUSES) == len(_ALL)


@each
def test_names_and_words(cause: Cause) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", cause.id)
    assert re.fullmatch(r"H?M?G?R?", cause.where)
    assert cause.where
    for words in (cause.words, cause.threshold, cause.debounce, cause.valid):
        assert words.strip() == words != ""
    assert cause.words[0].islower(), "it stands inside a sentence"
    assert cause.advice[0].isupper()
    assert cause.advice.endswith(".")


@each
def test_what_latches_kills_and_says_first_how_to_come_to_rest(cause: Cause) -> None:
    if cause.latch:
        assert cause.kill
        assert cause.alarm
        assert cause.forbid
        assert cause.advice.startswith(AFTER_A_TRIP)
        assert len(cause.advice) > len(AFTER_A_TRIP), "and then something of its own"


@each
def test_only_what_sits_on_the_stand_link_stops_the_engine(cause: Cause) -> None:
    if cause.kill:
        assert set(cause.where) <= set("HMG")
    if cause.where == "R":
        assert not any((cause.kill, cause.fuel, cause.latch))


@each
def test_the_key_is_asked_for_only_by_what_latches(cause: Cause) -> None:
    assert cause.latch or not cause.key_reset


def test_overspeed_needs_the_key_and_a_stop_by_a_person_does_not_latch() -> None:
    assert CAUSES["overspeed"].key_reset
    assert not CAUSES["asked"].latch
    assert not CAUSES["stop-loop"].latch


@each
def test_nothing_is_called_safe(cause: Cause) -> None:
    assert not re.search(r"\bsafe(ty)?\b", f"{cause.words} {cause.advice}", re.IGNORECASE)
