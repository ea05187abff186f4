"""Raw data stand beside what was made of them, and suffice to make it anew."""

from pathlib import Path

import msgspec
import pytest

from leverarm_daemon.analysis.curve import peak
from leverarm_daemon.config import StandFile
from leverarm_daemon.quantities.correction import correction
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.records import Peak, Pull
from leverarm_daemon.store.reader import RawPull, Reader
from leverarm_daemon.store.writer import Writer
from support.items import Item, campaign_items
from support.rework import rework

WAIT_S = 5.0


def store(path: Path, stand: StandFile, items: list[Item]) -> None:
    """Store what a pipeline makes of the items, starting anew in the middle of them."""
    half = len(items) // 2
    for part in (items[:half], items):
        writer = Writer(path)
        writer.start()
        stored = writer.progress.result(WAIT_S)
        pipeline = Pipeline(stand, "b", stored)
        for item in part[stored.replay_after if stored else 0 :]:
            for change in pipeline.take(item):
                writer.submit(change).result(WAIT_S)
        writer.close()


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> list[RawPull]:
    folder = tmp_path_factory.mktemp("campaign")
    stand, items = campaign_items(folder, "AB")
    path = folder / "leverarm.sqlite"
    store(path, stand, items)
    with Reader(path) as reader:
        return [reader.raw(pull.id) for pull in reversed(reader.pulls())]


def test_both_pulls_are_there_with_their_builds(stored: list[RawPull]) -> None:
    assert [raw.pull.build for raw in stored] == ["paper", "foam"]
    for raw in stored:
        assert raw.build == raw.stand.build(raw.pull.build)


def test_the_curve_comes_out_point_by_point(stored: list[RawPull]) -> None:
    for raw in stored:
        points = rework(raw)
        assert len(points) == len(raw.pull.curve) > 10
        for again, before in zip(points, raw.pull.curve, strict=True):
            assert msgspec.structs.astuple(again) == pytest.approx(msgspec.structs.astuple(before), rel=1e-9)


def corrected(pull: Pull, top: Peak) -> Peak:
    return Peak(top.value * pull.correction_factor, top.speed_rpm)


def test_the_peaks_come_out_alike(stored: list[RawPull]) -> None:
    for raw in stored:
        pull, points = raw.pull, rework(raw)
        assert correction(pull.correction, raw.stand.weather).factor == pytest.approx(pull.correction_factor, rel=1e-12)
        for quantity, before in (("torque_nm", pull.peak_torque_nm), ("power_kw", pull.peak_power_kw)):
            again = corrected(pull, peak(points, quantity))
            assert msgspec.structs.astuple(again) == pytest.approx(msgspec.structs.astuple(before), rel=1e-6)


def test_another_inertia_gives_another_curve(stored: list[RawPull]) -> None:
    raw = stored[0]
    assert raw.build is not None
    heavier = msgspec.structs.replace(raw, build=msgspec.structs.replace(raw.build, inertia_kg_m2=0.07))
    changed = [point.inertia_torque_nm for point in rework(heavier)]
    assert changed == pytest.approx([2 * point.inertia_torque_nm for point in raw.pull.curve], rel=1e-6)
