"""The whole tool on a hundred simulated campaigns, without a clock: does it find what is true, and no more than that?

Real: firmware, codec, guard's step, recorder's pipeline, comparison. Only processes, sockets and store are left out.
"""

import multiprocessing
import statistics
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import pytest

from leverarm_daemon.analysis.repeat import Welch, spread, welch
from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.guard.limits import trip_speed_rpm
from leverarm_simulators.lockstep import Outcome, run_campaign
from leverarm_simulators.result import two_builds
from leverarm_simulators.scenario import Scenario, load_scenario
from leverarm_simulators.stand_file import write_stand_file
from support.campaigns import SETTINGS

SEEDS = range(1, 101)
WIDEST = 1.5
QUANTITIES = (("power_kw", "power"), ("torque_nm", "torque"))

pytestmark = pytest.mark.timeout(600)


def campaigns(scenario: Scenario, stand_file: StandFile) -> list[Outcome]:
    begin_s = time.monotonic()
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        outcomes = list(pool.map(partial(run_campaign, scenario, stand_file), SEEDS, chunksize=5))
    simulated_s = sum(outcome.seconds for outcome in outcomes)
    print(f"\n{len(outcomes)} campaigns: {simulated_s:.0f} s simulated in {time.monotonic() - begin_s:.0f} s")
    return outcomes


@pytest.fixture(scope="module")
def stand_file(tmp_path_factory: pytest.TempPathFactory) -> StandFile:
    return load_stand_file(write_stand_file("air_filter", tmp_path_factory.mktemp("stand")))


@pytest.fixture(scope="module")
def different(stand_file: StandFile) -> list[Outcome]:
    return campaigns(load_scenario("air_filter", SETTINGS["different"]), stand_file)


@pytest.fixture(scope="module")
def equal(stand_file: StandFile) -> list[Outcome]:
    return campaigns(load_scenario("air_filter", SETTINGS["equal"]), stand_file)


def true_interval(outcome: Outcome, quantity: str) -> Welch:
    """Give the interval that the simulator's own values make, in the units of the corrected peaks."""
    names = two_builds(load_scenario("air_filter"))
    factor = outcome.pulls[0].correction_factor
    a, b = ([factor * getattr(t, quantity) for t in outcome.truth if t.build == name] for name in names)
    return welch(spread(a), spread(b))


def test_every_pull_is_found_and_nothing_else(different: list[Outcome]) -> None:
    for outcome in different:
        assert [pull.kind for pull in outcome.pulls] == ["pull"] * 12
        assert [pull.build for pull in outcome.pulls] == [truth.build for truth in outcome.truth]
        assert {pull.ended_by for pull in outcome.pulls} == {"release"}
        assert {str(pull.quality) for pull in outcome.pulls} == {"good"}


def test_every_campaign_ends_in_an_overspeed_trip_below_the_weakest_rating(different: list[Outcome]) -> None:
    overshoots = []
    for outcome in different:
        trip = outcome.result.trip
        assert trip is not None
        assert not [f for f in outcome.result.failures if "difference" not in f]
        assert trip.overshoot_rpm is not None
        overshoots.append(trip.overshoot_rpm)
    print(f"\novershoot: median {statistics.median(overshoots):.0f}, most {max(overshoots):.0f} rpm")


@pytest.mark.parametrize(("quantity", "name"), QUANTITIES)
def test_true_difference_lies_in_the_interval(different: list[Outcome], quantity: str, name: str) -> None:
    found = [c for o in different for c in o.result.comparisons if c.quantity == quantity]
    truth = different[0].result.true_difference_pct
    inside = sum(c.low_pct <= truth <= c.high_pct for c in found)
    off = statistics.mean(c.difference_pct for c in found) - truth
    said = sum(c.verdict == "lower" for c in found)
    print(f"\n{name}: {truth:.2f} % inside {inside} of {len(found)}, mean off by {off:+.3f} %, lower said {said} times")
    assert len(found) == len(SEEDS)
    assert inside >= 90
    assert not [c for c in found if c.verdict == "higher"]


@pytest.mark.parametrize(("quantity", "name"), QUANTITIES)
def test_interval_is_not_much_wider_than_the_engines_own_scatter(
    different: list[Outcome], quantity: str, name: str
) -> None:
    found = [next(c for c in o.result.comparisons if c.quantity == quantity) for o in different]
    true = [true_interval(outcome, quantity) for outcome in different]
    ratios = [(c.high - c.low) / (t.high - t.low) for c, t in zip(found, true, strict=True)]
    mean = sum(c.high - c.low for c in found) / sum(t.high - t.low for t in true)
    median = statistics.median(ratios)
    print(f"\n{name}: interval {mean:.2f} times that of the true values in the mean, {median:.2f} in the median")
    assert median <= WIDEST
    assert mean <= WIDEST


@pytest.mark.parametrize(("quantity", "name"), QUANTITIES)
def test_equal_filters_are_hardly_ever_told_apart(equal: list[Outcome], quantity: str, name: str) -> None:
    verdicts = [c.verdict for o in equal for c in o.result.comparisons if c.quantity == quantity]
    wrong = len(verdicts) - verdicts.count("not settled")
    print(f"\n{name}: equal filters told apart {wrong} times of {len(verdicts)}")
    assert len(verdicts) == len(SEEDS)
    assert wrong <= 10


def test_peaks_are_near_the_truth(different: list[Outcome]) -> None:
    off = [
        100 * (pull.peak_power_kw.value / (truth.power_kw * pull.correction_factor) - 1)
        for outcome in different
        for pull, truth in zip(outcome.pulls, outcome.truth, strict=True)
    ]
    print(f"\npeak power off by {statistics.mean(off):+.2f} % in the mean, {statistics.stdev(off):.2f} % sd")
    assert abs(statistics.mean(off)) < 0.7


def test_healthy_pulls_stay_well_under_the_trip(stand_file: StandFile, different: list[Outcome]) -> None:
    trip_rpm = trip_speed_rpm(stand_file.builds[0], stand_file.pickup.pulses_per_rev)
    top_rpm = max(point.speed_rpm for outcome in different for pull in outcome.pulls for point in pull.curve)
    print(f"\nfastest point of a pull {top_rpm:.0f} rpm, trip {trip_rpm:.0f} rpm")
    assert top_rpm * 1.1 < trip_rpm


def test_equal_seeds_give_equal_results(stand_file: StandFile, different: list[Outcome]) -> None:
    again = run_campaign(load_scenario("air_filter", SETTINGS["different"]), stand_file, SEEDS[0])
    assert again.result == different[0].result
    assert again.pulls == different[0].pulls
