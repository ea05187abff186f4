"""The guard's rules, without clocks or ports."""

import pytest

from leverarm_daemon.guard.state import Damaged, LinkDown, LinkUp, Send
from leverarm_daemon.ipc.messages import Select
from leverarm_daemon.records import Answer, CauseSeen, Command, Limits
from support.guarded import BUILD, Bench, one

# --- the link ------------------------------------------------------------------------------------


def test_an_open_port_is_greeted_and_greeted_again_until_it_answers(bench: Bench) -> None:
    assert one(bench.happen(LinkUp()), Send, Command).frame == Command(0, "hello")
    bench.pass_ms(900)
    assert not bench.tick(recorder=False)
    bench.pass_ms(200)
    assert one(bench.tick(recorder=False), Send, Command).frame == Command(1, "hello")


def test_a_new_listener_gets_a_hello_too(bench: Bench) -> None:
    bench.happen(LinkUp())
    bench.hello()
    assert not bench.tick(recorder=False)
    assert one(bench.tick(recorder=True), Send, Command).frame == Command(1, "hello")
    assert not bench.tick(recorder=True)


def test_each_status_line_is_answered_with_its_number(running: Bench) -> None:
    for _ in range(3):
        running.pass_ms(20)
        assert running.status(seq=4711) == "ok"
    answers = [a.frame.ack for a in running.done if isinstance(a, Send) and isinstance(a.frame, Answer)]
    assert answers[-3:] == [4711] * 3


def test_without_a_build_the_answer_is_stop(bench: Bench) -> None:
    bench.happen(LinkUp())
    bench.hello()
    assert bench.status() == "stop"
    assert bench.view().why_not[0] == "no build is selected"


def test_silence_of_the_stand_latches_only_while_the_engine_may_run(bench: Bench, running: Bench) -> None:
    for _ in range(11):
        running.tick()
        running.pass_ms(10)
    running.tick()
    assert running.view().first_cause == "stand-silent"
    bench.ready()
    bench.pass_ms(5000)
    bench.tick()
    assert bench.view().first_cause is None
    assert "does not report" in bench.view().why_not[0]


def test_a_guard_that_was_held_up_itself_does_not_blame_the_stand(running: Bench) -> None:
    running.tick()
    running.pass_ms(600)
    running.tick()
    running.load()
    running.status()
    running.pass_ms(10)
    running.tick()
    assert running.view().first_cause is None


def test_silence_just_short_of_the_limit_does_nothing(running: Bench) -> None:
    for _ in range(9):
        running.tick()
        running.pass_ms(11)
    running.tick()
    assert running.view().state == "running"


def test_a_lost_port_latches_while_running_and_says_so(running: Bench) -> None:
    running.happen(LinkDown("unplugged"))
    assert running.view().state == "tripped"
    assert running.view().first_cause == "stand-silent"
    assert "not connected" in running.view().link


def test_a_restart_of_the_front_end_while_running_latches(running: Bench) -> None:
    running.hello(reset="watchdog")
    assert running.view().first_cause == "stand-restarted"


def test_a_restart_with_another_version_latches_all_the_same(running: Bench) -> None:
    running.hello(reset="watchdog", version=2)
    assert running.view().first_cause == "stand-restarted"


def test_the_shield_switch_that_is_there_now_counts(bench: Bench) -> None:
    """Selected without a shield switch; then a front end with one comes: it must be shut while running."""
    bench.happen(LinkUp())
    bench.hello(inputs=("loop",))
    bench.load()
    bench.status()
    bench.ask(Select("me", bench.state.revision, BUILD))
    assert ("shield", 0) in bench.state.chosen.values  # type: ignore[union-attr]
    bench.hello()
    assert ("shield", 1) in bench.state.chosen.values  # type: ignore[union-attr]
    sent = [a.frame for a in bench.done if isinstance(a, Send) and isinstance(a.frame, Limits)]
    assert ("shield", 1) in sent[-1].values


def test_ok_is_never_answered_while_something_forbids_a_start(bench: Bench) -> None:
    bench.ready()
    assert bench.status() == "ok"
    bench.temps(head=230.0)
    assert bench.status() == "stop"
    bench.temps(head=50.0)
    bench.pass_ms(400)
    assert bench.status() == "stop", "the load cell is silent"
    bench.load()
    assert bench.status() == "ok"
    bench.hello(version=2, reset="")
    assert bench.status() == "stop"


def test_a_restart_is_noticed_although_its_hello_was_lost(running: Bench) -> None:
    running.front, running.limits_crc = "held", 0
    running.status()
    assert running.view().first_cause == "stand-restarted"
    running.pass_ms(1100)
    assert one(running.tick(), Send, Command).frame.word == "hello"  # type: ignore[union-attr]


def test_a_guard_that_comes_up_beside_a_running_engine_it_knows_nothing_of_stops_it(bench: Bench) -> None:
    bench.happen(LinkUp())
    bench.front = "running"
    bench.load()
    bench.temps(head=90.0)
    assert bench.status() == "limits-differ"


def test_a_trip_for_an_unknown_reason_is_latched_too(running: Bench) -> None:
    running.front, running.cause = "tripped", "fancy"
    running.status()
    assert running.view().first_cause == "stand-tripped"


def test_a_hello_that_was_asked_for_latches_nothing(running: Bench) -> None:
    running.hello(reset="")
    assert running.view().first_cause is None


def test_power_on_while_held_keeps_everything(bench: Bench) -> None:
    bench.ready()
    bench.limits_crc = 0
    bench.hello(reset="power")
    assert bench.limits_crc != 0, "limits were sent again"
    assert bench.view().first_cause is None


def test_another_version_is_refused_by_its_number(bench: Bench) -> None:
    bench.happen(LinkUp())
    bench.hello(version=2)
    assert "version 2" in bench.view().why_not[0]


def test_the_front_end_of_another_stand_is_refused(bench: Bench) -> None:
    bench.ready()
    bench.hello(reset="", stand="shed")
    assert bench.view().why_not == ("the front end belongs to stand shed, the stand file to bench",)


def test_simulated_stays_simulated_when_the_stand_is_gone(running: Bench) -> None:
    running.happen(LinkDown("unplugged"))
    assert running.view().simulated


def test_another_number_of_pulses_is_refused(bench: Bench) -> None:
    bench.ready()
    bench.hello(ppr=2.0, reset="")
    assert "2 pulses a revolution, the stand file says 1" in bench.view().why_not[0]


@pytest.mark.parametrize(("count", "spacing_ms", "cause"), [(19, 10, None), (20, 10, "bad-lines"), (40, 60, None)])
def test_damaged_lines_trip_when_there_are_twenty_in_a_second(
    running: Bench, count: int, spacing_ms: int, cause: str | None
) -> None:
    for _ in range(count):
        running.pass_ms(spacing_ms)
        running.happen(Damaged())
        running.load()
        running.temps(head=90.0)
        running.status()
    assert running.view().first_cause == cause


# --- causes --------------------------------------------------------------------------------------


def test_the_front_ends_cause_is_taken_over_and_kept_first(running: Bench) -> None:
    running.hear(CauseSeen(running.seq(), running.now_us, "overspeed", 1, running.now_us, 12000, 12500))
    running.front, running.cause = "tripped", "overspeed"
    assert running.status() == "overspeed"
    running.hear(CauseSeen(running.seq(), running.now_us, "pickup-lost", 2, running.now_us, 1, 1))
    view = running.view()
    assert (view.state, view.first_cause, view.followed_by) == ("tripped", "overspeed", ("pickup-lost",))


def test_a_cause_known_from_the_status_alone_is_latched_too(running: Bench) -> None:
    running.front, running.cause = "tripped", "guard-silent"
    running.status()
    assert running.view().first_cause == "guard-silent"


def test_an_ordinary_cause_is_shown_but_not_latched(running: Bench) -> None:
    running.hear(CauseSeen(running.seq(), running.now_us, "stop-loop", 1, running.now_us, 0, 0))
    running.front, running.cause = "stopping", "stop-loop"
    assert running.status() == "ok"
    assert running.view().first_cause == "stop-loop"
    assert running.view().state == "stopping"


def test_limits_that_stay_different_trip_after_a_second(running: Bench) -> None:
    for _ in range(49):
        running.pass_ms(20)
        running.load()
        running.status(limits_crc=1)
    assert running.view().first_cause is None
    for _ in range(3):
        running.pass_ms(20)
        running.load()
        running.status(limits_crc=1)
    assert running.view().first_cause == "limits-differ"


def test_limits_that_differ_are_sent_again(bench: Bench) -> None:
    bench.ready()
    bench.pass_ms(600)
    before = len([a for a in bench.done if isinstance(a, Send) and isinstance(a.frame, Limits)])
    bench.status(limits_crc=1)
    assert len([a for a in bench.done if isinstance(a, Send) and isinstance(a.frame, Limits)]) == before + 1
