"""Whoever reads sees what is committed, with people's changes, and hears clearly what is not there."""

import sqlite3
from pathlib import Path

import msgspec
import pytest

from leverarm_daemon.errors import NotFound, StoreError
from leverarm_daemon.records import Build
from leverarm_daemon.store import reader as reader_module
from leverarm_daemon.store.changes import Batch, Chunk, Event, KeepChange, Progress
from leverarm_daemon.store.chunks import Raw, pack
from leverarm_daemon.store.reader import MARGIN_US, Reader
from leverarm_daemon.store.writer import Writer
from support.samples import BUILD, OPENING, STAND, batch, pull, trip

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


def test_all_kept_pulls_of_a_build_are_given_and_no_other(path: Path) -> None:
    writer = Writer(path)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    many = tuple(pull(build="build 0", kept=bool(k % 2)) for k in range(3000))
    writer.submit(batch(400, pulls=many)).result(WAIT_S)
    writer.submit(KeepChange(1, False, "ann", "choke on", "t")).result(WAIT_S)
    writer.submit(KeepChange(3, True, "ann", "it was well", "t")).result(WAIT_S)
    writer.close()
    with Reader(path) as reader:
        found = reader.kept("build 0")
        assert reader.kept("no such build") == []
        assert [reader.pull(number).kept_why for number in (1, 2, 3)] == ["choke on", "", "it was well"]
        assert [one.kept_why for one in reader.pulls(3, "build 0")] == ["", "", ""]
    assert found[-1].kept_why == "it was well"
    assert [one.id for one in found] == [*range(3002, 3, -2), 3]
    assert {(one.build, one.kept, one.curve) for one in found} == {("build 0", True, ())}


def test_raw_data_of_a_pull_reach_across_a_recorder_that_died(path: Path) -> None:
    with Reader(path) as reader:
        found = reader.raw(2)
    counts = [count for _, count in found.raw.edges]
    assert counts == list(range(400, 900)), "all of eight to seventeen seconds: the margins are longer"
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
    assert len(found.raw.edges) == 500 - 50


def test_raw_data_reach_a_margin_beyond_both_ends(path: Path) -> None:
    writer = Writer(path)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    for at_s in range(20, 40):
        writer.submit(batch(10 * at_s + 8, chunk=second(at_s, 10 * at_s))).result(WAIT_S)
    short = pull(started_us=28_000_000, ended_us=30_000_000)
    made = writer.submit(batch(400, pulls=(short,))).result(WAIT_S).pulls[0]
    writer.close()
    with Reader(path) as reader:
        times_us = [us for us, _ in reader.raw(made).raw.edges]
    assert (times_us[0], times_us[-1]) == (28_000_000 - MARGIN_US, 30_000_000 + MARGIN_US)


FOAM, PAPER = (msgspec.structs.replace(BUILD, name=name) for name in ("foam", "paper"))
HEAVY = msgspec.structs.replace(FOAM, inertia_kg_m2=0.5)


def note_of(build: Build) -> str:
    return msgspec.json.encode({"who": "ann", "build": build, "trip_rpm": 4000.0}).decode()


@pytest.mark.parametrize(
    ("opening", "selected", "told"),
    [
        (None, ((100, note_of(FOAM)), (104, note_of(PAPER)), (106, '{"build":7}'), (107, "[")), FOAM),
        (None, ((100, note_of(FOAM)), (190, note_of(HEAVY))), FOAM),
        (FOAM, ((101, note_of(HEAVY)),), HEAVY),
        (FOAM, (), FOAM),
        (PAPER, (), None),
        (None, (), None),
    ],
    ids=["of its name", "before it", "newer than the opening", "at the opening", "another", "none"],
)
def test_raw_data_tell_the_build_as_it_was_selected_then(
    path: Path, opening: Build | None, selected: tuple[tuple[int, str], ...], told: Build | None
) -> None:
    writer = Writer(path)
    writer.start()
    known = None if opening is None else msgspec.json.encode(opening).decode()
    writer.submit(msgspec.structs.replace(OPENING, build=known, boot="boot-2")).result(WAIT_S)
    events = tuple(Event(n, "t", "select", body) for n, body in selected)
    progress = Progress("boot-2", 200, 0, "{}")
    change = Batch(progress, chunk=second(10, 111), pulls=(pull(build="foam"),), events=events)
    made = writer.submit(change).result(WAIT_S).pulls[0]
    writer.close()
    with Reader(path) as reader:
        assert reader.raw(made).build == told


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
    path.with_name(path.name + "-shm").mkdir()  # in whose way SQLite can make none, as in a read-only folder
    with Reader(path) as reader:
        assert len(reader.pulls()) == 2


def test_a_log_that_cannot_be_read_is_not_passed_over(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def refuse(path: Path, how: str) -> sqlite3.Connection:
        asked.append(how)
        raise sqlite3.OperationalError("unable to open database file")

    monkeypatch.setattr(reader_module, "_connected", refuse)
    path.with_name(path.name + "-wal").write_bytes(b"x" * 5000)
    with pytest.raises(sqlite3.OperationalError):
        Reader(path)
    assert asked == ["mode=ro"]


def test_a_writer_that_starts_under_a_reader_is_seen_whole(path: Path) -> None:
    with Reader(path) as reader:
        assert len(reader.pulls()) == 2
        writer = Writer(path)
        writer.start()
        writer.submit(OPENING).result(WAIT_S)
        writer.submit(batch(300, pulls=(pull(),))).result(WAIT_S)
        assert reader.pulls()[0].id == 3
        writer.close()


def test_a_reader_sees_what_is_written_while_it_is_open(path: Path) -> None:
    writer = Writer(path)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    with Reader(path) as reader:
        writer.submit(batch(300, pulls=(pull(),))).result(WAIT_S)
        assert reader.pulls()[0].id == 3
    writer.close()
