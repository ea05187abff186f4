"""The demonstration's desk: what it refuses, what it leaves aside, and how it ends."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from msgspec.structs import replace

from leverarm_daemon.errors import PeerGone
from leverarm_daemon.ipc.messages import Allow, Ask, Done, GuardReply, GuardRequest, Select
from leverarm_daemon.records import Peak, Pull, Quality, Trip
from leverarm_simulators import demo
from leverarm_simulators.campaign import Order
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.stand_file import write_scenario, write_stand_file
from support.pretended import Pretended, view

SCATTER = (0.99, 1.01, 1.0, 0.995, 1.005, 1.0, 0.992, 1.003, 0.999, 1.006, 0.996, 1.002)


def pull(number: int, build: str) -> Pull:
    factor = (0.975 if build == "foam" else 1.0) * SCATTER[number % 12]
    return Pull(
        number, 1, build, "2026-01-01T00:00:00Z", 0, 1, "pull", True, "release", Peak(18.5 * factor, 2600.0),
        Peak(6.0 * factor, 3500.0), "SAE J1349", 1.0, 0.05, Quality.GOOD, "", True,
    )


def trip(number: int, cause: str = "overspeed") -> Trip:
    return Trip(number, 1, "2026-01-01T00:00:00Z", 5, cause, (), 4750.0, 4712.0, 4780.0, 68.0, True)


class Peer:
    """Guard, store and clock in one: a pretended stand, and what it would have recorded."""

    def __init__(self, cause: str = "overspeed", simulated: bool = True) -> None:
        self.stand = Pretended(pulls_each_run=2)
        self.builds: list[str] = []
        self.cause, self.simulated = cause, simulated
        self.old_pulls = [pull(1, "paper"), pull(2, "paper")]

    def ask(self, path: Path, request: GuardRequest, timeout_s: float = 2.0) -> GuardReply:
        before = self.stand.pulls
        seen = self.stand.look() if isinstance(request, Ask) else None
        if isinstance(request, Select):
            self.stand.obey(Order("select", request.build.name))
        elif not isinstance(request, Ask):
            self.stand.obey(Order("allow" if isinstance(request, Allow) else "stop"))
        self.builds += [str(self.stand.build)] * (self.stand.pulls - before)
        return Done(replace(seen.view if seen else view(), simulated=self.simulated))

    def pulls(self, limit: int) -> list[Pull]:
        return [pull(k + 3, build) for k, build in enumerate(self.builds)][::-1] + self.old_pulls[::-1]

    def trips(self, limit: int) -> list[Trip]:
        return [trip(9, self.cause)] * self.stand.trips

    def __enter__(self) -> "Peer":
        return self

    def __exit__(self, *_: object) -> None:
        pass


Run = Callable[..., int]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Give a function that runs the demonstration against a peer, without waiting."""

    def with_peer(peer: Any, *words: str) -> int:
        monkeypatch.setattr(demo, "ask_guard", peer.ask)
        monkeypatch.setattr(demo, "Reader", lambda path: peer)
        clock = SimpleNamespace(sleep=lambda seconds: None, monotonic=lambda: peer.stand.now_s)
        monkeypatch.setattr(demo, "time", clock)
        monkeypatch.setattr(sys, "argv", ["demo", str(stand_file), *words])
        return demo.main()

    stand_file = write_stand_file("air_filter", tmp_path)
    write_scenario(load_scenario("air_filter", ("campaign.order=AABBAABBAABB",)), tmp_path)
    return with_peer


def test_whole_demonstration_prints_its_result_and_ends_well(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(Peer()) == 0
    out = capsys.readouterr().out
    assert out.count("foam against paper: peak power") == 1
    assert "foam minus paper" in out
    assert out.index("peak torque") < out.index("foam minus paper")
    assert "(overspeed)" in out
    assert "68 rpm" in out
    assert max(map(len, out.splitlines())) <= 80
    assert "FAILED" not in out


def test_json_holds_groups_comparisons_and_trip_and_leaves_earlier_pulls_aside(
    run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(Peer(), "--json") == 0
    result = json.loads(capsys.readouterr().out)
    assert [group["torque_nm"]["n"] for group in result["groups"]] == [6, 6]
    assert min(number for group in result["groups"] for number in group["pulls"]) == 3
    assert (result["trip"]["overshoot_rpm"], result["failures"], result["simulated"]) == (68.0, [], True)


def test_wrong_first_cause_fails(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(Peer(cause="guard-silent")) == 1
    assert "FAILED the first cause is guard-silent" in capsys.readouterr().out


def test_a_stand_that_never_gets_going_fails(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    peer = Peer()
    peer.stand = Pretended(refuses=10_000)
    assert run(peer) == 1
    assert "FAILED paper is not taken" in capsys.readouterr().out


def test_a_real_stand_is_refused(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    peer = Peer(simulated=False)
    assert run(peer) == 2
    assert peer.stand.orders == []
    assert "not simulated" in capsys.readouterr().err


def test_without_a_guard_it_does_not_begin(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    peer = Peer()

    def nobody(*_: object) -> GuardReply:
        peer.stand.now_s += 1.0
        raise PeerGone("guard.sock: nobody listens")

    peer.ask = nobody  # type: ignore[method-assign,assignment]
    assert run(peer) == 2
    problem = "the guard is not ready: guard.sock: nobody listens"
    assert capsys.readouterr().err == f"{problem}\n"
    assert run(peer, "--json") == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert json.loads(err) == {"error": problem, "reasons": [], "exit_code": 2}


def test_without_a_scenario_it_does_not_begin(run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "scenario.json").unlink()
    assert run(Peer()) == 2
    assert "Only a simulated stand" in capsys.readouterr().err
