"""Faults dropped into a running engine at full load: the right first cause, the relay open, in time.

In lockstep: the firmware's own files, the codec, the guard's step and the simulated engine, without a clock. Each fault
has its control: the same run without it, which must not trip.
"""

from pathlib import Path

import pytest

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.states import State
from leverarm_simulators.campaign import Order
from leverarm_simulators.faults import parse
from leverarm_simulators.lockstep import Lockstep
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.stand_file import write_stand_file

FEW_WAITS = ("operator.fit_s=0.5", "operator.warm_s=1.0")
AT_S = 10.0
"""When the fault begins: in the first pull, at full throttle."""


@pytest.fixture(scope="module")
def stand_file(tmp_path_factory: pytest.TempPathFactory) -> StandFile:
    return load_stand_file(write_stand_file("air_filter", tmp_path_factory.mktemp("stand")))


def run(stand_file: StandFile, *faults: str, seconds: float = 2.0) -> Lockstep:
    """Start the engine, and go on until so long after the fault's beginning."""
    scenario = load_scenario("air_filter", FEW_WAITS)
    lockstep = Lockstep(scenario, stand_file, 3, lambda _: None, tuple(parse(text) for text in faults))
    orders = [Order("select", "paper"), Order("allow")]
    while lockstep.now_s < AT_S + seconds:
        for _ in range(20):
            lockstep.advance()
        if orders and lockstep.now_s > 2.0 * (3 - len(orders)):
            lockstep.order(orders.pop(0))
        if lockstep.now_s < AT_S - 0.5:
            assert lockstep.view().first_cause is None
    return lockstep


def test_without_a_fault_nothing_trips(stand_file: StandFile) -> None:
    lockstep = run(stand_file, seconds=3.0)
    assert lockstep.view().state == State.RUNNING
    assert lockstep.stand.world.engine.ignition


@pytest.mark.parametrize(("fault", "cause"), [
    (f"brake-off@{AT_S}", "overspeed"),
    (f"pickup-off@{AT_S}", "pickup-lost"),
    (f"cell-dead@{AT_S}", "load-lost"),
    (f"restart@{AT_S}", "stand-restarted"),
    (f"drop@{AT_S}", "stand-silent"),
    (f"stall@{AT_S}", "stand-silent"),
    (f"flip@{AT_S}", "bad-lines"),
])
def test_a_fault_trips_with_its_own_cause(stand_file: StandFile, fault: str, cause: str) -> None:
    lockstep = run(stand_file, fault)
    view = lockstep.view()
    assert (view.state, view.first_cause) == (State.TRIPPED, cause)
    assert not lockstep.stand.world.engine.ignition, "the relay is open"


@pytest.mark.parametrize(
    "fault",
    [
        f"drop@{AT_S}+0.05", f"stall@{AT_S}+0.15", f"pickup-off@{AT_S}+0.005",
        *(f"spark@{AT_S + n / 200}+0.1" for n in range(8)),
    ],
)
def test_a_short_disturbance_trips_nothing(stand_file: StandFile, fault: str) -> None:
    lockstep = run(stand_file, fault)
    assert lockstep.view().state == State.RUNNING


def test_a_trip_stays_until_a_person_resets_it(stand_file: StandFile) -> None:
    lockstep = run(stand_file, f"cell-dead@{AT_S}+1.0", seconds=8.0)
    assert lockstep.view().state == State.TRIPPED
    assert lockstep.view().first_cause == "load-lost"


def test_equal_seeds_give_equal_lines_with_faults_too(stand_file: StandFile, tmp_path: Path) -> None:
    def lines() -> list[str]:
        kept: list[str] = []
        scenario = load_scenario("air_filter", FEW_WAITS)
        lockstep = Lockstep(scenario, stand_file, 3, lambda item: kept.append(repr(item)), (parse("flip@0.5+1.0"),))
        while lockstep.now_s < 3.0:
            lockstep.advance()
        return kept

    first = lines()
    assert len(first) > 100
    assert first == lines()
