"""The whole tool in one process: equal seeds, equal lines; and one short campaign from end to end."""

from pathlib import Path

import pytest

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_simulators.campaign import CampaignFailed, Order
from leverarm_simulators.lockstep import Lockstep, run_campaign
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.stand_file import write_stand_file

SHORT = ("operator.fit_s=0.1", "operator.warm_s=1.5", "campaign.order=ABBA")


@pytest.fixture
def stand_file(tmp_path: Path) -> StandFile:
    return load_stand_file(write_stand_file("air_filter", tmp_path))


def start(lockstep: Lockstep, build: str, seconds: float) -> None:
    """Let it greet, select a build, allow a start, and go on for some seconds."""
    for word in (Order("select", build), Order("allow")):
        for _ in range(40):
            lockstep.advance()
        lockstep.order(word)
    while lockstep.now_s < seconds:
        lockstep.advance()


def test_equal_seeds_give_identical_raw_lines(stand_file: StandFile) -> None:
    tapes = []
    for seed in (5, 5, 6):
        items: list[Line | Note] = []
        start(Lockstep(load_scenario("air_filter"), stand_file, seed, items.append), "paper", 14.0)
        tapes.append([item.text for item in items if isinstance(item, Line)])
    assert tapes[0] == tapes[1]
    assert tapes[0] != tapes[2]
    assert sum(text.startswith("E ") for text in tapes[0]) > 300, "it ran, and was pulled"


def test_the_loop_is_closed_relay_engine_pickup_guard(stand_file: StandFile) -> None:
    lockstep = Lockstep(load_scenario("air_filter"), stand_file, 1, lambda item: None)
    start(lockstep, "paper", 6.0)
    assert (lockstep.view().state, lockstep.stand.world.engine.ignition) == ("running", True)
    lockstep.order(Order("stop"))
    while lockstep.now_s < 11.0:
        lockstep.advance()
    assert (lockstep.view().state, lockstep.stand.world.engine.ignition) == ("held", False)
    assert lockstep.stand.world.speed_rpm == 0.0


def test_items_are_numbered_without_a_gap_and_carry_their_device_time(stand_file: StandFile) -> None:
    items: list[Line | Note] = []
    start(Lockstep(load_scenario("air_filter"), stand_file, 1, items.append), "paper", 3.0)
    assert [item.n for item in items] == list(range(1, len(items) + 1))
    lines = [item for item in items if isinstance(item, Line)]
    assert all(line.device_us % 2**30 == int(line.text.split()[2]) for line in lines)
    assert {note.kind for note in items if isinstance(note, Note)} >= {"link", "state", "select", "command"}


def test_short_campaign_from_end_to_end(stand_file: StandFile) -> None:
    outcome = run_campaign(load_scenario("air_filter", SHORT), stand_file, seed=1)
    assert [(pull.build, pull.kind, pull.simulated) for pull in outcome.pulls] == [
        (build, "pull", True) for build in ("paper", "foam", "foam", "paper")
    ]
    for pull, truth in zip(outcome.pulls, outcome.truth, strict=True):
        assert pull.peak_power_kw.value == pytest.approx(truth.power_kw * pull.correction_factor, rel=0.025)
        assert pull.peak_torque_nm.speed_rpm == pytest.approx(2600, abs=250)
        assert pull.ended_us - pull.started_us < 8e6
    assert outcome.result.trip is not None
    assert outcome.result.trip.first_cause == "overspeed"


def test_campaign_without_a_truth_to_find_fails(stand_file: StandFile) -> None:
    with pytest.raises(CampaignFailed, match="does not start: the stand is start-allowed"):
        run_campaign(load_scenario("air_filter", (*SHORT, "engine.fires_above_rpm=9000.0")), stand_file, seed=1)
