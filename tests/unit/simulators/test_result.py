"""What the demonstration says of a campaign, and when it says that something failed."""

import io

import pytest
from msgspec.structs import replace
from rich.console import Console

from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Build, Peak, Pull, Quality, RotatingPart, Trip
from leverarm_simulators.result import judge, true_difference_pct
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.show import show

SCENARIO = load_scenario("air_filter")
SCATTER = (0.99, 1.01, 1.0, 0.995, 1.005, 1.0)
BUILDS = (Build("paper", (RotatingPart("drum", 5000.0, "invented"),), 0.035, 18.5),)
TRIP = Trip(1, 1, "2026-01-01T00:00:00Z", 5, "overspeed", (), 4750.0, 4712.0, 4890.0, 178.0, True)


def pull(number: int, build: str, factor: float) -> Pull:
    return Pull(
        number, 1, build, "2026-01-01T00:00:00Z", 0, 1, "pull", True, "release", Peak(18.5 * factor, 2600.0),
        Peak(6.0 * factor, 3500.0), "SAE J1349", 1.0, 0.05, Quality.GOOD, "", True,
    )


def campaign_pulls(foam: float = 0.975) -> list[Pull]:
    papers = [pull(2 * k + 1, "paper", s) for k, s in enumerate(SCATTER)]
    return papers + [pull(2 * k + 2, "foam", foam * s) for k, s in enumerate(SCATTER)]


def test_true_difference_is_the_scenarios() -> None:
    assert true_difference_pct(SCENARIO) == pytest.approx(-2.5)
    three = replace(SCENARIO, campaign=replace(SCENARIO.campaign, order="A"))
    with pytest.raises(Refused, match="compares two builds"):
        true_difference_pct(three)


def test_all_well() -> None:
    result = judge(SCENARIO, BUILDS, campaign_pulls(), [TRIP], 200.0)
    assert result.failures == ()
    assert [group.build for group in result.groups] == ["paper", "foam"]
    assert [c.verdict for c in result.comparisons] == ["lower", "lower"]
    assert result.trip == TRIP


def test_a_missing_pull_fails() -> None:
    result = judge(SCENARIO, BUILDS, campaign_pulls()[1:], [TRIP], 200.0)
    assert result.failures == ("paper: 5 of 6 pulls are there",)


def test_pulls_left_out_do_not_count() -> None:
    pulls = campaign_pulls()
    pulls[0] = replace(pulls[0], kept=False)
    assert judge(SCENARIO, BUILDS, pulls, [TRIP], 200.0).failures == ("paper: 5 of 6 pulls are there",)


def test_a_verdict_without_the_truth_fails() -> None:
    failures = judge(SCENARIO, BUILDS, campaign_pulls(foam=1.05), [TRIP], 200.0).failures
    assert len(failures) == 2
    assert "the true difference of -2.50 % lies outside" in failures[0]


def test_nothing_to_compare_fails() -> None:
    result = judge(SCENARIO, BUILDS, [], [TRIP], 200.0)
    assert "build 'paper' has no kept pulls" in " ".join(result.failures)
    assert result.comparisons == ()


@pytest.mark.parametrize(
    ("trip", "words"),
    [
        (None, "no trip is recorded"),
        (replace(TRIP, first_cause="guard-silent"), "guard-silent, not overspeed"),
        (replace(TRIP, overshoot_rpm=None), "overshoot of the trip is missing"),
        (replace(TRIP, peak_rpm=5001.0), "5001 rpm passes the weakest rating of 5000 rpm"),
    ],
)
def test_a_wrong_trip_fails(trip: Trip | None, words: str) -> None:
    trips = [] if trip is None else [trip]
    (failure,) = judge(SCENARIO, BUILDS, campaign_pulls(), trips, 200.0).failures
    assert words in failure
    calm = replace(SCENARIO, campaign=replace(SCENARIO.campaign, brake_fails=False))
    assert judge(calm, BUILDS, campaign_pulls(), trips, 200.0).failures == ()


def shown(pulls: list[Pull]) -> str:
    out = io.StringIO()
    show(Console(file=out, width=120), judge(SCENARIO, BUILDS, pulls, [TRIP], 200.0))
    return out.getvalue()


def test_terminal_shows_groups_difference_verdict_and_trip() -> None:
    text = shown(campaign_pulls())
    rows = [" ".join(line.split()) for line in text.splitlines()]
    for row in ("peak power kW -0.150 -0.204 to -0.096 lower", "speed at the edge 4,750 rpm", "peak 4,890 rpm",
                "overshoot 178 rpm", "first cause faster than the weakest rotating part allows (overspeed)"):
        assert row in rows, row
    for words in ("paper", "foam minus paper", "18.500 N·m", "simulated", "As it should be"):
        assert words in text, words


def test_terminal_shows_what_failed() -> None:
    text = shown(campaign_pulls()[1:])
    assert "FAILED paper: 5 of 6 pulls are there" in text
    assert "As it should be" not in text
