"""What people may ask of the guard, without clocks or ports."""

import pytest

from leverarm_daemon.guard.state import Deny, Grant, LinkUp, Remember, Save, Send
from leverarm_daemon.ipc.messages import Allow, Reset, Select, Stop
from leverarm_daemon.records import Answer, Build, Command, Limits, RotatingPart
from leverarm_daemon.states import REPLY_WORDS
from support.guarded import BUILD, Bench, denied, one


def test_stop_is_granted_at_once_and_answered_at_once(running: Bench) -> None:
    actions = running.ask(Stop("anyone"))
    assert one(actions, Send, Answer).frame.say == "stop"  # type: ignore[union-attr]
    assert one(actions, Grant)
    running.front = "stopping"
    assert running.status() == "stop"
    running.front = "held"
    running.pass_ms(1100)
    running.load()
    running.status()
    assert running.status() == "ok", "an ordinary stop ends unlatched"


@pytest.mark.parametrize("front", ["held", "start-allowed", "running", "stopping", "tripped"])
def test_stop_is_never_refused(running: Bench, front: str) -> None:
    running.front = front
    running.status()
    assert one(running.ask(Stop("anyone")), Grant)


def test_stop_without_a_stand_is_granted_too(bench: Bench) -> None:
    assert one(bench.ask(Stop("anyone")), Grant)


def test_allow_is_passed_on_and_granted_when_the_stand_agrees(bench: Bench) -> None:
    bench.ready()
    assert one(bench.ask(Allow("me", bench.state.revision)), Send, Command).frame.word == "allow"  # type: ignore[union-attr]
    assert one(bench.reply(), Grant)


def test_a_stop_while_an_allow_is_on_its_way_is_not_lost(bench: Bench) -> None:
    bench.ready()
    bench.ask(Allow("me", bench.state.revision))
    assert one(bench.ask(Stop("someone")), Send, Answer).frame.say == "stop"  # type: ignore[union-attr]
    assert bench.status() == "stop", "still held, and told so"
    bench.front = "start-allowed"
    assert bench.status() == "stop", "the allow came through all the same"


def test_allow_is_refused_while_the_crank_turns(bench: Bench) -> None:
    bench.ready()
    for _ in range(3):
        bench.edge(50)
        bench.load()
        bench.status()
    assert denied(bench.ask(Allow("me", bench.state.revision))) == ("the crank still turns",)


def test_allow_is_denied_when_the_stand_refuses(bench: Bench) -> None:
    bench.ready()
    bench.ask(Allow("me", bench.state.revision))
    assert denied(bench.reply(accepted=False, reason="stop-loop")) == ("the stand says: " + REPLY_WORDS["stop-loop"],)


def test_allow_is_denied_when_the_stand_stays_silent(bench: Bench) -> None:
    bench.ready()
    bench.ask(Allow("me", bench.state.revision))
    bench.pass_ms(1001)
    assert denied(bench.tick()) == ("the stand does not answer",)


def test_allow_on_an_old_picture_is_stale(bench: Bench) -> None:
    bench.ready()
    for revision in (bench.state.revision - 1, bench.state.revision + 1, 0):
        assert one(bench.ask(Allow("me", revision)), Deny).kind == "stale"


def test_a_replayed_allow_is_stale(bench: Bench) -> None:
    bench.ready()
    request = Allow("me", bench.state.revision)
    bench.ask(request)
    bench.front = "start-allowed"
    bench.status()
    bench.reply()
    assert one(bench.ask(request), Deny).kind == "stale"


def test_allow_gives_every_reason_against_it(bench: Bench) -> None:
    bench.ready()
    bench.inputs = frozenset()
    bench.temps(head=230.0)
    bench.pass_ms(400)
    bench.status()
    reasons = denied(bench.ask(Allow("me", bench.state.revision)))
    assert reasons == (
        "the stop button is pressed, or its loop is broken",
        "the cylinder head is too hot",
        "the load cell gives no valid reading",
    )


def test_allow_while_running_says_that_it_runs(running: Bench) -> None:
    assert denied(running.ask(Allow("me", running.state.revision))) == ("the engine runs",)


def tripped(cause: str = "head-hot", key: bool = False) -> Bench:
    bench = Bench()
    bench.run()
    bench.front, bench.cause = "tripped", cause
    bench.inputs = frozenset({"loop", "shield", *(("key",) if key else ())})
    bench.load()
    bench.status()
    return bench


def test_a_trip_forbids_allow_until_it_is_reset() -> None:
    bench = tripped()
    assert "Reset it first" in denied(bench.ask(Allow("me", bench.state.revision)))[0]


def test_reset_turns_the_answer_and_then_asks_the_stand() -> None:
    bench = tripped()
    actions = bench.ask(Reset("me", bench.state.revision))
    sent = [a.frame for a in actions if isinstance(a, Send)]
    assert [type(frame) for frame in sent] == [Answer, Command]
    assert isinstance(sent[0], Answer)
    assert sent[0].say == "stop"
    assert sent[1].seq == sent[0].seq + 1, "lines are sent in the order of their numbers"
    bench.front, bench.cause = "held", None
    bench.status()
    after = bench.reply()
    assert one(after, Save)
    assert bench.view().first_cause is None
    assert bench.view().state == "held"


def test_a_reset_that_the_stand_refuses_keeps_the_latch() -> None:
    bench = tripped()
    bench.ask(Reset("me", bench.state.revision))
    bench.status()
    says = REPLY_WORDS["still-turning"]
    assert denied(bench.reply(accepted=False, reason="still-turning")) == (f"the stand says: {says}",)
    assert bench.view().first_cause == "head-hot"
    assert bench.status() == "head-hot"


def test_a_reset_without_a_trip_is_refused(running: Bench) -> None:
    assert denied(running.ask(Reset("me", running.state.revision))) == ("nothing is tripped",)


def test_a_reset_is_refused_while_the_cause_stands() -> None:
    bench = tripped()
    bench.temps(head=230.0)
    assert denied(bench.ask(Reset("me", bench.state.revision))) == ("still so: the cylinder head is too hot",)


def test_a_reset_with_the_shield_open_is_refused() -> None:
    bench = tripped("shield-open")
    bench.inputs = frozenset({"loop"})
    bench.status()
    assert denied(bench.ask(Reset("me", bench.state.revision))) == ("still so: the shield was opened while running",)


def test_overspeed_is_reset_with_the_key_only() -> None:
    without, with_key = tripped("overspeed"), tripped("overspeed", key=True)
    assert "turn the key" in denied(without.ask(Reset("me", without.state.revision)))[0]
    assert one(with_key.ask(Reset("me", with_key.state.revision)), Send, Command)


def test_select_sends_limits_and_is_granted_when_they_are_echoed(bench: Bench) -> None:
    bench.ready()
    other = Build("other", (RotatingPart("drum", 4500.0, "invented"),), 0.05, 18.0)
    actions = bench.ask(Select("me", bench.state.revision, other))
    limits = one(actions, Send, Limits).frame
    assert isinstance(limits, Limits)
    assert one(actions, Save)
    assert [a.kind for a in actions if isinstance(a, Remember)] == ["select", "state"]
    assert not [a for a in bench.hear_status() if isinstance(a, Grant)]
    bench.limits_crc = limits.crc()
    assert one(bench.hear_status(), Grant).view.build == "other"


def test_select_is_refused_before_the_stand_has_said_what_it_has(bench: Bench) -> None:
    assert "not connected" in denied(bench.ask(Select("me", bench.state.revision, BUILD)))[0]
    bench.happen(LinkUp())
    bench.load()
    bench.hear_status()
    assert "has not said hello" in denied(bench.ask(Select("me", bench.state.revision, BUILD)))[0]


def test_select_is_refused_while_anything_may_turn(running: Bench) -> None:
    assert "only while" in denied(running.ask(Select("me", running.state.revision, BUILD)))[0]


def test_select_with_an_unknown_rating_is_refused(bench: Bench) -> None:
    bench.ready()
    unknown = Build("u", (RotatingPart("flywheel", None, "nobody knows"),), 0.03, 18.0)
    assert "rating unknown: flywheel" in denied(bench.ask(Select("me", bench.state.revision, unknown)))[0]


def test_too_many_waiting_requests_are_refused(bench: Bench) -> None:
    bench.ready()
    for _ in range(16):
        bench.ask(Allow("me", bench.state.revision))
    assert denied(bench.ask(Allow("me", bench.state.revision))) == ("too many requests wait for the stand",)


def test_nobody_recording_is_a_notice_after_three_seconds(bench: Bench) -> None:
    bench.ready()
    for recorder, ms, expected in ((True, 0, ()), (False, 2900, ()), (False, 200, ("recorder-silent",))):
        bench.pass_ms(ms)
        bench.tick(recorder)
        assert bench.view().notices == expected
