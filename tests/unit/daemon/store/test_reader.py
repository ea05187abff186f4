"""Whoever reads sees what is committed, with people's changes, and hears clearly what is not there."""

import sqlite3
from pathlib import Path

import msgspec
import pytest

from leverarm_daemon.errors import NotFound, StoreError
from leverarm_daemon.store.changes import Chunk
from leverarm_daemon.store.chunks import Raw, pack
from leverarm_daemon.store.reader import Reader
from leverarm_daemon.store.writer import Writer
from support.samples import OPENING, STAND, batch, pull, trip

WAIT_S = 5.0


def second(at_s: int, first_n: int) -> Chunk:
    from_us = at_s * 1_000_000
    edges = tuple((from_us + 20_000 * k, 50 * at_s + k) for k in range(50))
    loads = tuple((from_us + 100_000 * k, at_s) for k in range(10))
    return Chunk(first_n, first_n + 9, from_us, from_us + 980_000, pack(Raw(edges=edges, loads=loads)))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give a store with two runs, the second continuing the first, and a pull across both."""
    path = tmp_path / "with space & #.sqlite"
    for run, seconds in enumerate(((8, 9, 10, 11), (12, 13, 14, 15, 16, 17))):
        writer = Writer(path)
        writer.start()
        writer.submit(msgspec.structs.replace(OPENING, continues=bool(run)))
        for at_s in seconds:
            writer.submit(batch(10 * at_s + 8, chunk=second(at_s, 10 * at_s))).result(WAIT_S)
        found = {"pulls": (pull(build=f"build {run}"),), "trips": (trip(),)}
        writer.submit(batch(10 * seconds[-1] + 9, **found)).result(WAIT_S)
        writer.close()
    return path


def test_pulls_are_listed_newest_first_without_curves(path: Path) -> None:
    with Reader(path) as reader:
        assert [(found.id, found.curve) for found in reader.pulls()] == [(2, ()), (1, ())]
        assert [found.id for found in reader.pulls(limit=1)] == [2]
        assert [found.id for found in reader.pulls(build="build 0")] == [1]
        assert reader.pulls(build="no such build") == []


def test_one_pull_has_its_curve(path: Path) -> None:
    with Reader(path) as reader:
        assert reader.pull(2).curve == pull().curve


def test_raw_data_of_a_pull_reach_across_a_recorder_that_died(path: Path) -> None:
    with Reader(path) as reader:
        found = reader.raw(2)
    counts = [count for _, count in found.raw.edges]
    assert counts == list(range(500, 801))
    assert (found.raw.edges[0][0], found.raw.edges[-1][0]) == (10_000_000, 16_000_000)
    assert found.damaged == 0
    assert found.stand.load.calibration == STAND.load.calibration


def test_a_run_that_continues_nothing_stays_alone(path: Path) -> None:
    with Reader(path) as reader:
        raw, _ = reader.raw_between(1, 0, 99_000_000)
    assert [count for _, count in raw.edges] == list(range(400, 600))


def test_a_damaged_second_is_counted_and_the_rest_given(path: Path) -> None:
    rows = sqlite3.connect(path)
    rows.execute("UPDATE chunk SET blob = zeroblob(40) WHERE from_us = 13000000")
    rows.commit()
    rows.close()
    with Reader(path) as reader:
        found = reader.raw(2)
    assert found.damaged == 1
    assert len(found.raw.edges) == 301 - 50


@pytest.mark.parametrize("what", ["pull", "trip", "raw"])
def test_what_is_not_there_is_told(path: Path, what: str) -> None:
    with Reader(path) as reader, pytest.raises(NotFound, match=r"there is no .* 77"):
        getattr(reader, what)(77)


def test_trips_are_listed_newest_first(path: Path) -> None:
    with Reader(path) as reader:
        assert [found.id for found in reader.trips()] == [2, 1]
        assert reader.trip(1).followed_by == ("stop-loop",)


def test_no_store_yet_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="does not exist yet: start the recorder"):
        Reader(tmp_path / "leverarm.sqlite")


def test_a_foreign_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "leverarm.sqlite"
    path.write_bytes(b"x" * 5000)
    with pytest.raises(StoreError, match="is no database"):
        Reader(path)


def test_a_reader_cannot_write(path: Path) -> None:
    with Reader(path) as reader, pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("DELETE FROM pull")


def test_after_a_clean_end_a_read_only_folder_is_enough(path: Path) -> None:
    assert not path.with_name(path.name + "-wal").exists()
    with Reader(path) as reader:
        assert len(reader.pulls()) == 2
    assert not path.with_name(path.name + "-shm").exists()


def test_a_reader_sees_what_is_written_while_it_is_open(path: Path) -> None:
    writer = Writer(path)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    with Reader(path) as reader:
        writer.submit(batch(300, pulls=(pull(),))).result(WAIT_S)
        assert reader.pulls()[0].id == 3
    writer.close()
