"""What a whole campaign of items becomes, also when the recorder dies anywhere in it and starts anew."""

from itertools import pairwise

import msgspec
import pytest

from leverarm_daemon.config import MqttSection, StandFile
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.quantities.force import force_n
from leverarm_daemon.recorder.pipeline import Context, Pipeline
from leverarm_daemon.records import Calibration, Edge, Load, Pull, Quality, Temps, Weather
from leverarm_daemon.stand.codec import Decoder, seal, unseal
from support.items import Front, Item, Written, campaign_items, run
from support.samples import BUILD, STAND, VIEW

Campaign = tuple[StandFile, list[Item]]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """Give a campaign of two pulls with a stop between them, and a trip."""
    return campaign_items(tmp_path_factory.mktemp("campaign"), "AB")


@pytest.fixture(scope="module")
def whole(campaign: Campaign) -> Written:
    return run(Pipeline(campaign[0], "b"), campaign[1])


def captured(items: list[Item]) -> tuple[list[tuple[int, int]], list[tuple[int, int | None]], list[tuple[int, str]]]:
    """Give edges, loads and temperature places as the lines told them, read without the pipeline."""
    decoder, edges, loads, temps = Decoder(), [], [], []
    for item in items:
        frame = decoder.decode(unseal(item.text.encode()), item.device_us) if isinstance(item, Line) else None
        if isinstance(frame, Edge):
            edges.append((frame.device_us, frame.count))
        elif isinstance(frame, Load):
            loads += [(frame.device_us + k * frame.step_us, count) for k, count in enumerate(frame.counts)]
        elif isinstance(frame, Temps):
            temps += [(frame.device_us, name) for name, _ in frame.readings]
    return edges, loads, temps


def test_pulls_are_found_with_their_builds(campaign: Campaign, whole: Written) -> None:
    assert [(pull.kind, pull.build, pull.ended_by) for pull in whole.pulls] == [
        ("pull", "paper", "release"), ("pull", "foam", "release"),
    ]  # fmt: skip
    for pull in whole.pulls:
        assert pull.kept
        assert pull.simulated
        assert (pull.quality, pull.reason) == (Quality.GOOD, "")
        assert pull.curve[0].device_us == pull.started_us
        assert pull.curve[-1].device_us == pull.ended_us
        assert 17.0 < pull.peak_torque_nm.value < 20.5
        assert 0.02 < pull.inertia_share < 0.2


def test_peaks_are_corrected_and_the_curve_is_not(campaign: Campaign) -> None:
    stand, items = campaign
    thick = msgspec.structs.replace(stand, weather=Weather(990.0, 25.0, 0.0))
    thin = msgspec.structs.replace(stand, weather=Weather(960.0, 25.0, 0.0))
    first, second = (run(Pipeline(each, "b"), items).pulls[0] for each in (thick, thin))
    assert first.curve == second.curve
    assert first.correction_factor == pytest.approx(1.0, abs=1e-9)
    factor = 1.18 * 990 / 960 - 0.18
    assert second.correction_factor == pytest.approx(factor, rel=1e-9)
    for name in ("peak_torque_nm", "peak_power_kw"):
        assert getattr(second, name).value == pytest.approx(factor * getattr(first, name).value, rel=1e-9)
        assert getattr(second, name).speed_rpm == getattr(first, name).speed_rpm


def test_every_raw_line_is_in_the_chunks_once(campaign: Campaign, whole: Written) -> None:
    edges, loads, temps = captured(campaign[1])
    last_n = whole.batches[-1].progress.n
    edges, loads, temps = captured(campaign[1][:last_n])
    assert list(whole.raw.edges) == edges
    assert list(whole.raw.loads) == loads
    assert [row[:2] for row in whole.raw.temps] == temps


def test_batches_hold_about_a_second_and_join_without_a_gap(whole: Written) -> None:
    chunks = [batch.chunk for batch in whole.batches if batch.chunk]
    assert max(chunk.to_us - chunk.from_us for chunk in chunks) < 1_100_000
    numbers = [(batch.chunk.first_n, batch.progress.n) for batch in whole.batches if batch.chunk]
    assert all(first > before for (_, before), (first, _) in pairwise(numbers))
    assert len(whole.batches) < 1.8 * (chunks[-1].to_us - chunks[0].from_us) / 1e6


def test_the_trip_is_written_down_once_with_its_speeds(campaign: Campaign, whole: Written) -> None:
    (trip,) = whole.trips
    assert trip.first_cause == "overspeed"
    assert trip.edge_rpm is not None
    assert trip.limit_rpm is not None
    assert trip.peak_rpm is not None
    assert trip.edge_rpm > trip.limit_rpm
    after = [edge for edge in captured(campaign[1])[0] if edge[0] >= trip.device_us - 20_000]
    fastest = max(60e6 / (b[0] - a[0]) for a, b in pairwise(after))
    assert trip.peak_rpm == pytest.approx(fastest)
    assert trip.overshoot_rpm == pytest.approx(trip.peak_rpm - trip.limit_rpm)


def test_opening_tells_everything_known_before(campaign: Campaign) -> None:
    stand = msgspec.structs.replace(campaign[0], mqtt=MqttSection("localhost", user="me", password="secret"))
    (opening,) = run(Pipeline(stand, "boot-9", version="1.2"), campaign[1]).openings
    assert (opening.boot, opening.version, opening.firmware, opening.simulated) == ("boot-9", "1.2", "0.1.0", True)
    kept = msgspec.json.decode(opening.stand, type=StandFile)
    assert kept.load.calibration == stand.load.calibration
    assert kept.mqtt is not None
    assert kept.mqtt.user == "me"
    assert "secret" not in opening.stand
    assert [channel.name for channel in opening.channels] == ["edge", "load", "mark", "temp head", "temp drum"]


def test_notes_and_causes_become_events(whole: Written) -> None:
    kinds = [event.kind for event in whole.events]
    assert {"select", "command", "state", "link", "hello", "cause"} <= set(kinds)
    assert kinds.count("cause") == 2


# --- dying and starting anew ---------------------------------------------------------------------


def dies_at(stand: StandFile, items: list[Item], cut: int) -> Written:
    """Die after `cut` items; what was given out is stored, and the next recorder follows from there."""
    first = run(Pipeline(stand, "b"), items[:cut])
    stored = first.progress
    after = stored.replay_after if stored else 0
    second = run(Pipeline(stand, "b", stored), items[after:])
    return Written([*first.outputs, *second.outputs])


def overlap(one: Pull, other: Pull) -> float:
    common = min(one.ended_us, other.ended_us) - max(one.started_us, other.started_us)
    return common / max(one.ended_us - one.started_us, other.ended_us - other.started_us)


@pytest.mark.parametrize("part", range(40))
def test_dying_anywhere_loses_and_doubles_nothing(campaign: Campaign, whole: Written, part: int) -> None:
    stand, items = campaign
    again = dies_at(stand, items, 37 + part * (len(items) - 40) // 40)
    assert again.raw == whole.raw
    assert again.trips == whole.trips
    assert again.events == whole.events
    assert [(pull.kind, pull.build) for pull in again.pulls] == [(pull.kind, pull.build) for pull in whole.pulls]
    for found, expected in zip(again.pulls, whole.pulls, strict=True):
        assert overlap(found, expected) > 0.9
        assert found.peak_power_kw.value == pytest.approx(expected.peak_power_kw.value, rel=0.02)


def test_dying_around_the_end_of_a_pull_neither_loses_nor_doubles_it(campaign: Campaign, whole: Written) -> None:
    stand, items = campaign
    ended_us = whole.pulls[0].ended_us
    ends = next(k for k, item in enumerate(items) if isinstance(item, Line) and item.device_us > ended_us)
    for cut in range(ends - 60, ends + 200, 7):
        assert len(dies_at(stand, items, cut).pulls) == 2, cut


def test_the_run_is_continued_within_one_guard_boot_only(campaign: Campaign) -> None:
    stand, items = campaign
    stored = run(Pipeline(stand, "b"), items[:1000]).progress
    same = run(Pipeline(stand, "b", stored), items[500:])
    other = run(Pipeline(stand, "c", stored), items[500:1500])
    assert [opening.continues for opening in same.openings] == [True]
    assert [opening.continues for opening in other.openings] == [False]
    assert other.batches[0].chunk is not None
    assert other.batches[0].chunk.first_n == 501


def test_a_run_that_is_still_open_is_not_opened_again(campaign: Campaign) -> None:
    stand, items = campaign
    stored = run(Pipeline(stand, "b"), items[:1000]).progress
    assert run(Pipeline(stand, "b", stored, run_open=True), items[500:]).openings == []


def test_build_hello_and_best_torque_outlive_the_recorder(campaign: Campaign) -> None:
    stand, items = campaign
    stored = run(Pipeline(stand, "b"), items).progress
    assert stored is not None
    context = msgspec.json.decode(stored.context, type=Context)
    assert context.build is not None
    assert context.hello is not None
    assert 15.0 < context.best_nm < 20.0
    assert Pipeline(stand, "other", stored)._build == context.build


def test_the_replay_reaches_back_before_the_longest_pull(campaign: Campaign, whole: Written) -> None:
    items = campaign[1]
    begun_ns = items[0].mono_ns
    for batch in whole.batches:
        newest, oldest = items[batch.progress.n - 1], items[batch.progress.replay_after]
        seconds = (newest.mono_ns - oldest.mono_ns) / 1e9
        if newest.mono_ns - begun_ns < 29.5e9:
            assert batch.progress.replay_after == 0
        else:
            assert 29.5 < seconds < 32.0


# --- what a front end or guard may also say ------------------------------------------------------


def test_samples_that_share_a_line_keep_their_own_times() -> None:
    front = Front()
    front.hello(1.0)
    front.line("L", 1.1, "1000 7 ! 9")
    pipeline = Pipeline(STAND, "b")
    written = run(pipeline, front.items)
    written.add(pipeline.finish("ok", "stopped"))
    assert written.raw.loads == ((1_100_000, 7), (1_101_000, None), (1_102_000, 9))


def test_device_time_that_runs_back_begins_another_run() -> None:
    front = Front()
    front.hello(2000.0)
    front.edges(2000.0, 2003.0, 3000.0)
    front.hello(1.0)
    front.edges(1.0, 4.0, 3000.0)
    written = run(Pipeline(STAND, "b"), front.items)
    assert [opening.continues for opening in written.openings] == [False, False]
    (closing,) = written.closings
    assert (closing.status, "ran back" in closing.reason) == ("failed", True)
    at = written.outputs.index(closing)
    assert max(b.chunk.from_us for b in Written(written.outputs[:at]).batches if b.chunk) > 2_000_000_000
    assert max(b.chunk.to_us for b in Written(written.outputs[at:]).batches if b.chunk) < 5_000_000


def test_the_end_of_a_run_writes_what_is_left() -> None:
    front = Front()
    front.hello(1.0)
    pipeline = Pipeline(STAND, "b")
    run(pipeline, front.items)
    front.edges(1.1, 1.5, 3000.0)
    written = run(pipeline, front.items[1:])
    written.add(pipeline.finish("ok", "stopped"))
    assert len(written.raw.edges) == 20
    assert [(closing.status, closing.reason) for closing in written.closings] == [("ok", "stopped")]
    assert pipeline.finish("ok", "stopped") == []


def test_a_throttle_switch_is_heeded_where_it_is_wired(campaign: Campaign) -> None:
    stand, items = campaign
    shut = [_without_throttle(item, "S") for item in items]
    assert run(Pipeline(stand, "b"), shut).pulls == []
    not_wired = [_without_throttle(item, "SH") for item in items]
    assert len(run(Pipeline(stand, "b"), not_wired).pulls) == 2


def _without_throttle(item: Item, kinds: str) -> Item:
    """Give the item with the throttle switch left out of lines of these kinds."""
    if isinstance(item, Note) or item.text[0] not in kinds:
        return item
    return msgspec.structs.replace(item, text=seal(unseal(item.text.encode()).replace(",throttle", "")))


# --- what is shown -------------------------------------------------------------------------------


def test_live_values_in_a_pull(campaign: Campaign, whole: Written) -> None:
    stand, items = campaign
    pipeline = Pipeline(stand, "b")
    pipeline.view = view = msgspec.structs.replace(VIEW, build="foam")
    middle_us = (whole.pulls[1].started_us + whole.pulls[1].ended_us) // 2
    seen = [item for item in items if not isinstance(item, Line) or item.device_us <= middle_us]
    run(pipeline, seen)
    live = pipeline.live()
    values = live.values
    point = min(whole.pulls[1].curve, key=lambda p: abs(p.device_us - middle_us))
    assert values["speed_rpm"].value == pytest.approx(point.speed_rpm, rel=0.1)
    assert values["torque_nm"].value == pytest.approx(point.torque_nm, rel=0.15)
    assert values["power_kw"].value == pytest.approx(point.power_kw, rel=0.15)
    assert values["torque_nm"].value is not None
    assert values["torque_corrected_nm"].value == pytest.approx(
        values["torque_nm"].value * whole.pulls[1].correction_factor
    )
    assert {value.quality for value in values.values()} == {Quality.GOOD}
    assert live.pull.startswith("Pull under way:")
    assert len(live.curve) > 3
    assert live.guard == view
    calibration = stand.load.calibration
    counts = [count for us, count in captured(seen)[1] if us > middle_us - 250_000 and count is not None]
    mean_n = sum(force_n(count, calibration) for count in counts) / len(counts)
    assert values["force_n"].value == pytest.approx(mean_n, rel=0.05)


def test_a_stand_that_says_nothing_shows_no_number() -> None:
    live = Pipeline(STAND, "b").live()
    for name in ("speed_rpm", "force_n", "torque_nm", "power_kw", "power_corrected_kw"):
        value = live.values[name]
        assert (value.value, value.quality, bool(value.reason)) == (None, Quality.BAD, True), name


def test_faults_have_their_reason_and_no_number() -> None:
    front = Front()
    front.hello(1.0)
    front.line("T", 1.1, "head=!open drum=12345")
    front.line("L", 1.1, "0 !")
    front.status(1.2)
    pipeline = Pipeline(STAND, "b")
    run(pipeline, front.items)
    values = pipeline.live().values
    assert (values["head_c"].value, values["head_c"].reason) == (None, "the probe or its wire is broken")
    assert values["drum_c"].value == 123.45
    assert (values["force_n"].value, values["force_n"].reason) == (None, "the load cell's conversions fail")
    front.status(4.0)
    run(pipeline, front.items[-1:])
    assert pipeline.live().values["drum_c"].value is None


def test_standstill_is_zero_and_doubtful_while_the_ignition_is_live() -> None:
    front = Front()
    front.hello(1.0)
    front.edges(1.0, 2.0, 3000.0)
    front.status(2.01)
    pipeline = Pipeline(STAND, "b")
    run(pipeline, front.items)
    assert pipeline.live().values["speed_rpm"].value == pytest.approx(3000.0, rel=1e-3)
    for state, quality in (("running", Quality.SUSPECT), ("held", Quality.GOOD)):
        front.status(3.5, state)
        run(pipeline, front.items[-1:])
        speed = pipeline.live().values["speed_rpm"]
        assert (speed.value, speed.quality) == (0.0, quality)


@pytest.mark.parametrize(
    ("calibration", "reason"),
    [
        (Calibration((0.0, 0.01), "2020-01-01", "2021-01-01"), "expired on 2021-01-01"),
        (Calibration((0.0, 0.01), "2020-01-01", "2099-01-01", provisional=True), "provisional"),
    ],
)
def test_power_inherits_the_doubt_about_the_calibration(
    campaign: Campaign, calibration: Calibration, reason: str
) -> None:
    stand, items = campaign
    doubtful = msgspec.structs.replace(calibration, coefficients=stand.load.calibration.coefficients)
    changed = msgspec.structs.replace(stand, load=msgspec.structs.replace(stand.load, calibration=doubtful))
    pipeline = Pipeline(changed, "b")
    (pull, _) = run(pipeline, items).pulls
    assert pull.quality is Quality.SUSPECT
    assert reason in pull.reason
    assert pipeline.live().values["force_n"].quality is Quality.SUSPECT


def test_without_a_build_the_inertia_is_left_out_and_said_so(campaign: Campaign) -> None:
    stand, items = campaign
    nobody = [item for item in items if not (isinstance(item, Note) and item.kind == "select")]
    pulls = run(Pipeline(stand, "b"), nobody).pulls
    assert pulls
    assert all(pull.quality is Quality.SUSPECT and "no build is known" in pull.reason for pull in pulls)
    assert all(pull.inertia_share == 0.0 for pull in pulls)


def test_weather_that_cannot_be_corrected_for_is_said(campaign: Campaign) -> None:
    stand, items = campaign
    wrong = msgspec.structs.replace(stand, weather=Weather(2000.0, 20.0, 0.5))
    pull = run(Pipeline(wrong, "b"), items).pulls[0]
    assert (pull.correction, pull.correction_factor, pull.quality) == ("none", 1.0, Quality.SUSPECT)
    assert "station pressure is 2000" in pull.reason


def test_a_selected_build_is_taken_over() -> None:
    front = Front()
    front.note(1.0, "select", {"who": "ann", "build": BUILD, "trip_rpm": 4000.0})
    pipeline = Pipeline(STAND, "b")
    written = run(pipeline, front.items)
    written.add(pipeline.finish("ok", "stopped"))
    assert written.progress is not None
    assert msgspec.json.decode(written.progress.context, type=Context).build == BUILD
