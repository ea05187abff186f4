"""What the other tests left standing when the code was broken on purpose."""

import pytest

from leverarm_daemon.errors import Refused
from leverarm_daemon.guard.limits import peak_after_trip_rpm, trip_speed_rpm
from leverarm_daemon.guard.state import Action, LinkDown, LinkUp, Remember, Send
from leverarm_daemon.ipc.messages import Allow, Reset, Select, Stop
from leverarm_daemon.records import Build, Limits, Reply, RotatingPart
from support.guarded import Bench, denied


def notes(actions: tuple[Action, ...], kind: str) -> list[dict[str, object]]:
    return [action.body for action in actions if isinstance(action, Remember) and action.kind == kind]


def test_a_second_odd_interval_in_a_row_is_believed(running: Bench) -> None:
    for interval_ms in (20, 9, 6):
        running.edge(interval_ms)
    assert running.view().speed_rpm == pytest.approx(4000), "15 ms since the edge that counted last"
    running.edge(5)
    assert running.view().speed_rpm == pytest.approx(4000), "and the next odd one is set aside again"


def test_a_slow_cell_may_be_silent_for_three_of_its_periods(bench: Bench) -> None:
    bench.ready()
    bench.hello(reset="", load_hz=5.0)
    bench.load()
    bench.pass_ms(590)
    bench.temps(head=40.0)
    assert bench.status() == "ok"
    bench.pass_ms(20)
    assert bench.status() == "stop"


@pytest.mark.parametrize("change", [{"version": 2}, {"ppr": 2.0}])
def test_a_running_stand_that_means_something_else_is_stopped(running: Bench, change: dict[str, float]) -> None:
    running.hello(reset="", **change)  # type: ignore[arg-type]
    assert running.status() == "limits-differ"


def test_a_running_stand_whose_hello_is_not_known_yet_goes_on(running: Bench) -> None:
    """After a restart of the guard the hello is asked for; the limits that are echoed are the ones that count."""
    running.state = running.state.__class__(
        chosen=running.state.chosen, link=running.state.link.__class__(up=True, line_ns=running.now_us * 1000),
        engine=running.state.engine,
    )
    assert running.status() == "ok"


def test_speed_is_shown_for_three_intervals_and_at_least_a_tenth_of_a_second(running: Bench) -> None:
    for interval_ms, shown_ms, gone_ms in ((20, 95, 110), (50, 145, 160)):
        for _ in range(4):
            running.edge(interval_ms)
            running.load()
        running.status(device_us=running.now_us + shown_ms * 1000)
        assert running.view().speed_rpm is not None
        running.status(device_us=running.now_us + gone_ms * 1000)
        assert running.view().speed_rpm is None


def test_the_view_tells_whether_a_recorder_listens(bench: Bench) -> None:
    bench.ready()
    assert bench.view().recorder
    bench.pass_ms(3100)
    bench.tick(recorder=False)
    assert not bench.view().recorder


def test_the_link_is_noted_up_and_down(bench: Bench) -> None:
    assert notes(bench.happen(LinkUp()), "link") == [{"up": True, "why": ""}]
    assert notes(bench.happen(LinkDown("unplugged")), "link") == [{"up": False, "why": "unplugged"}]


@pytest.mark.parametrize(("front", "cause"), [("stopping", "overspeed"), ("held", None)])
def test_overspeed_counts_while_stopping_too(running: Bench, front: str, cause: str | None) -> None:
    running.front = front
    running.status()
    for interval_ms in (16.0, 14.0, 12.5):
        running.edge(interval_ms)
    assert running.view().first_cause == cause


def test_a_hot_head_while_stopping_latches_nothing_more(running: Bench) -> None:
    running.front = "stopping"
    for _ in range(30):
        running.temps(head=230.0)
        running.load()
        running.status()
        running.pass_ms(50)
    assert running.view().first_cause is None


def test_limits_are_sent_again_at_most_twice_a_second_and_never_before_the_hello(bench: Bench) -> None:
    def sent() -> int:
        return len([a for a in bench.done if isinstance(a, Send) and isinstance(a.frame, Limits)])

    bench.ready()
    before = sent()
    for _ in range(100):
        bench.pass_ms(20)
        bench.status(limits_crc=1)
    assert sent() - before in (3, 4)
    bench.happen(LinkUp())
    before = sent()
    for _ in range(50):
        bench.pass_ms(20)
        bench.status(limits_crc=1)
    assert sent() == before


def test_the_reply_to_limits_grants_no_selection_by_itself(bench: Bench) -> None:
    bench.ready()
    other = Build("other", (RotatingPart("drum", 4500.0, "invented"),), 0.05, 18.0)
    actions = bench.ask(Select("me", bench.state.revision, other))
    seq = next(a.frame.seq for a in actions if isinstance(a, Send))
    assert not bench.hear(Reply(bench.seq(), bench.now_us, seq, True, ""))
    assert [pending.word for pending in bench.state.pending] == ["select"]


def test_what_was_asked_is_noted_with_its_outcome(bench: Bench) -> None:
    bench.ready()
    assert notes(bench.ask(Stop("ann")), "command") == [
        {"word": "stop", "who": "ann", "accepted": True, "reasons": []}
    ]
    refused = notes(bench.ask(Reset("bob", bench.state.revision)), "command")
    assert refused == [{"word": "reset", "who": "bob", "accepted": False, "reasons": ["nothing is tripped"]}]
    bench.ask(Allow("cy", bench.state.revision))
    accepted = notes(bench.reply(), "command")
    assert accepted == [{"word": "allow", "who": "cy", "accepted": True, "reasons": [""]}]


def test_a_late_request_leaves_the_others_waiting(bench: Bench) -> None:
    bench.ready()
    bench.ask(Allow("me", bench.state.revision))
    bench.pass_ms(600)
    bench.load()
    bench.temps(head=40.0)
    bench.status()
    bench.ask(Allow("you", bench.state.revision))
    bench.pass_ms(600)
    assert denied(bench.tick()) == ("the stand does not answer",)
    assert [pending.who for pending in bench.state.pending] == ["you"]


def test_an_open_shield_hinders_only_the_reset_of_its_own_trip() -> None:
    bench = Bench()
    bench.run()
    bench.front, bench.cause, bench.inputs = "tripped", "load-lost", frozenset({"loop"})
    bench.load()
    bench.status()
    assert any(isinstance(action, Send) for action in bench.ask(Reset("me", bench.state.revision)))


def test_a_reset_of_a_silent_stand_is_refused(running: Bench) -> None:
    running.happen(LinkDown("unplugged"))
    assert "does not report" in denied(running.ask(Reset("me", running.state.revision)))[0]


@pytest.mark.parametrize("ppr", [0.5, 1.0])
@pytest.mark.parametrize("inertia", [0.003, 0.006, 0.01])
def test_light_rotors_get_a_trip_speed_that_holds_or_none(inertia: float, ppr: float) -> None:
    build = Build("light", (RotatingPart("flywheel", 5000.0, "invented"),), inertia, 26.5)
    try:
        trip = trip_speed_rpm(build, ppr)
    except Refused:
        return
    assert 1000 < trip < 4000
    assert peak_after_trip_rpm(trip, build, ppr) <= 5000
