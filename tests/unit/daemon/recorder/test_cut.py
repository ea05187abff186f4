"""A pull that something from outside cuts off is kept as a short one, with the reason."""

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from leverarm_daemon.config import StandFile
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.records import Pull
from leverarm_daemon.stand.codec import seal
from support.items import Item, Written, campaign_items, run

Campaign = tuple[StandFile, list[Item]]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    return campaign_items(tmp_path_factory.mktemp("campaign"), "A")


@pytest.fixture(scope="module")
def whole(campaign: Campaign) -> Pull:
    (pull,) = run(Pipeline(campaign[0], "b"), campaign[1]).pulls
    return pull


def up_to(items: list[Item], device_us: int) -> list[Item]:
    """Give the items before the first line of that time."""
    return items[: next(k for k, item in enumerate(items) if isinstance(item, Line) and item.device_us > device_us)]


def last_second(pull: Pull) -> int:
    return pull.ended_us - 1_000_000


def told(pulls: list[Pull]) -> list[tuple[str, bool, str, str]]:
    return [(pull.kind, pull.kept, pull.ended_by, pull.reason) for pull in pulls]


CUT = ("short", False, "recording ended", "was not over yet: recording ended")


def test_the_end_of_recording_keeps_what_was_seen(campaign: Campaign, whole: Pull) -> None:
    stand, items = campaign
    pipeline = Pipeline(stand, "b")
    for item in up_to(items, last_second(whole)):
        pipeline.take(item)
    (closing,) = Written(pipeline.finish("ok", "stopped")).closings
    assert told(list(closing.pulls)) == [CUT]
    (cut,) = closing.pulls
    assert cut.started_us == whole.started_us
    assert cut.curve == whole.curve[: len(cut.curve)]
    assert 0.3e6 < whole.ended_us - cut.ended_us < 1.6e6
    assert Written(pipeline.finish("ok", "stopped")).closings == []


def test_a_recorder_that_comes_back_in_the_pull_has_the_whole_one_too(campaign: Campaign, whole: Pull) -> None:
    stand, items = campaign
    pipeline, before = Pipeline(stand, "b"), up_to(items, last_second(whole))
    first = run(pipeline, before)
    first.add(pipeline.finish("ok", "stopped"))
    assert first.progress is not None
    again = run(Pipeline(stand, "b", first.progress), items[first.progress.replay_after :])
    assert told(again.pulls) == told([whole])


def test_another_clock_cuts_it_off(campaign: Campaign, whole: Pull) -> None:
    stand, items = campaign
    before = up_to(items, last_second(whole))
    early = Line(len(before) + 1, 0, 0, 1_000, seal("E 1 1000 1"))
    (closing,) = run(Pipeline(stand, "b"), [*before, early]).closings
    assert told(list(closing.pulls)) == [CUT]


def test_selecting_a_build_cuts_it_off_and_keeps_the_build_before(campaign: Campaign, whole: Pull) -> None:
    stand, items = campaign
    before = up_to(items, last_second(whole))
    body = msgspec.json.encode({"who": "ann", "build": stand.builds[1], "trip_rpm": 4000.0}).decode()
    note = Note(len(before) + 1, 0, before[-1].utc_ns, "select", body)
    pipeline = Pipeline(stand, "b")
    written = run(pipeline, [*before, note])
    written.add(pipeline.finish("ok", "stopped"))
    assert told(written.pulls) == [("short", False, "another build", "was not over yet: another build")]
    assert written.pulls[0].build == "paper"
    assert list(written.closings[0].pulls) == []


@pytest.mark.parametrize("end", [lambda pull: pull.started_us - 500_000, lambda pull: pull.ended_us + 3_000_000])
def test_without_a_pull_there_is_nothing_to_cut(
    campaign: Campaign, whole: Pull, end: Callable[[Pull], Any]
) -> None:
    pipeline = Pipeline(campaign[0], "b")
    for item in up_to(campaign[1], end(whole)):
        pipeline.take(item)
    assert list(Written(pipeline.finish("ok", "stopped")).closings[0].pulls) == []
