"""A pull out of a whole campaign's lines is suspect, and says so, when something was wrong with it."""

from typing import Any

import msgspec
import pytest

from leverarm_daemon.config import StandFile
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.records import GuardView, Pull, Quality
from support.items import Item, campaign_items, run
from support.samples import VIEW

Campaign = tuple[StandFile, list[Item]]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    return campaign_items(tmp_path_factory.mktemp("campaign"), "A")


def pull_with(stand: StandFile, items: list[Item], view: GuardView | None = None) -> Pull:
    pipeline = Pipeline(stand, "b")
    pipeline.view = view
    (pull,) = run(pipeline, items).pulls
    return pull


def seen(build: str | None) -> GuardView:
    return msgspec.structs.replace(VIEW, build=build)


@pytest.mark.parametrize("view", [None, seen("paper"), seen(None)])
def test_a_pull_with_the_guards_build_is_good(campaign: Campaign, view: GuardView | None) -> None:
    pull = pull_with(*campaign, view)
    assert (pull.build, pull.quality, pull.reason) == ("paper", Quality.GOOD, "")


def test_a_pull_with_another_build_than_the_guards_is_suspect(campaign: Campaign) -> None:
    pull = pull_with(*campaign, seen("foam"))
    assert (pull.build, pull.quality) == ("paper", Quality.SUSPECT)
    assert pull.reason == "the guard has build 'foam', recorded is 'paper': select the build again"


def without_build(items: list[Item]) -> list[Item]:
    """Give the items with the note of the selection lost, and another in its place."""
    return [msgspec.structs.replace(item, kind="lost") if isinstance(item, Note) else item for item in items]


def test_without_a_build_what_rests_on_the_turning_mass_is_suspect_at_once(campaign: Campaign) -> None:
    stand, items = campaign
    pull = pull_with(stand, without_build(items), seen("foam"))
    assert (pull.build, pull.quality) == ("", Quality.SUSPECT)
    assert pull.reason == "no build is known: the turning mass is left out"
    for build, wrong in (("foam", True), ("paper", False)):
        pipeline = Pipeline(stand, "b")
        pipeline.view = seen(build)
        run(pipeline, [item for item in items if not isinstance(item, Line) or item.device_us < pull.ended_us])
        values = pipeline.live().values
        for name in ("torque_nm", "power_kw", "torque_corrected_nm", "power_corrected_kw", "inertia_share"):
            assert (values[name].quality is Quality.SUSPECT) is wrong, name
        assert values["force_n"].quality is Quality.GOOD


def test_a_build_that_the_guard_restores_is_taken_up(campaign: Campaign) -> None:
    stand, items = campaign
    body = msgspec.json.encode({"who": "restored", "build": stand.builds[1], "trip_rpm": 4000.0}).decode()
    first = Note(1, 0, items[0].utc_ns, "select", body)
    later = [msgspec.structs.replace(item, n=item.n + 1) for item in without_build(items)]
    pull = pull_with(stand, [first, *later], seen("foam"))
    assert (pull.build, pull.quality) == ("foam", Quality.GOOD)


@pytest.mark.parametrize(("lost_s", "told"), [
    (1.3, "lines are missing: its end was not seen"),
    (0.8, "lines are missing: nothing was measured for 0.9 s"),
    (0.4, "lines are missing: nothing was measured for 0."),
    (0.0, ""),
])  # fmt: skip
def test_lines_missing_from_a_pull_are_told(campaign: Campaign, lost_s: float, told: str) -> None:
    stand, items = campaign
    whole = pull_with(stand, items)
    from_us = (whole.started_us + whole.ended_us) // 2
    left = [
        item for item in items
        if not isinstance(item, Line) or not from_us < item.device_us < from_us + lost_s * 1e6
    ]  # fmt: skip
    pull = run(Pipeline(stand, "b"), left).pulls[0]
    assert pull.quality is (Quality.SUSPECT if told else Quality.GOOD)
    assert told in pull.reason


def changed(stand: StandFile, section: str, **fields: Any) -> StandFile:
    part = msgspec.structs.replace(getattr(stand, section), **fields)
    return msgspec.structs.replace(stand, **{section: part})


def test_force_beyond_the_rating_and_torque_beyond_belief_are_told(campaign: Campaign) -> None:
    stand, items = campaign
    strongest_n = max(point.force_n for point in pull_with(stand, items).curve)
    weak = pull_with(changed(stand, "load", rated_n=strongest_n - 1), items)
    assert (weak.quality, weak.reason) == (Quality.SUSPECT, "beyond the load cell's rating")
    small = pull_with(changed(stand, "engine", displacement_cc=200.0), items)
    assert small.quality is Quality.SUSPECT
    assert small.reason.startswith("beyond belief: mean effective pressure")
