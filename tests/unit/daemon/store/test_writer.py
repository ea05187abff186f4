"""What is acknowledged is stored, once and in order; what cannot be stored says why and is tried again."""

import sqlite3
import time
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import msgspec
import pytest

from leverarm_daemon.errors import NotFound, StoreError
from leverarm_daemon.store import writer as writer_module
from leverarm_daemon.store.changes import Batch, Chunk, Closing, Event, KeepChange, Progress
from leverarm_daemon.store.chunks import Raw, pack
from leverarm_daemon.store.file import APPLICATION_ID, SCHEMA, open_for_writing
from leverarm_daemon.store.reader import Reader
from leverarm_daemon.store.writer import StoreBusy, Writer
from support.samples import OPENING, batch, pull, trip

WAIT_S = 5.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "leverarm.sqlite"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    made = Writer(path, retry_s=0.02)
    made.start()
    yield made
    made.close()


def wait_for_trouble(writer: Writer) -> str:
    until = time.monotonic() + WAIT_S
    while not writer.trouble and time.monotonic() < until:
        time.sleep(0.005)
    return writer.trouble


def test_a_new_store_has_no_progress(writer: Writer) -> None:
    assert writer.progress.result(WAIT_S) is None


def test_pulls_and_trips_get_ids_and_their_run(writer: Writer, path: Path) -> None:
    run = writer.submit(OPENING).result(WAIT_S).run_id
    first = writer.submit(batch(10, pulls=(pull(), pull()), trips=(trip(),))).result(WAIT_S)
    second = writer.submit(batch(20, pulls=(pull(),))).result(WAIT_S)
    assert (first.run_id, first.pulls, first.trips, second.pulls) == (run, (1, 2), (1,), (3,))
    with Reader(path) as reader:
        assert reader.pull(3) == pull(id=3, run_id=run)
        assert reader.trip(1) == trip(id=1, run_id=run)


def test_progress_comes_with_the_data_it_acknowledges(writer: Writer, path: Path) -> None:
    writer.submit(OPENING).result(WAIT_S)
    writer.submit(batch(10)).result(WAIT_S)
    writer.submit(batch(17)).result(WAIT_S)
    again = Writer(path)
    again.start()
    assert again.progress.result(WAIT_S) == Progress("boot-1", 17, 0, "{}")
    again.close()


def test_a_failed_change_leaves_neither_data_nor_progress(writer: Writer, path: Path) -> None:
    writer.submit(OPENING).result(WAIT_S)
    writer.submit(batch(10)).result(WAIT_S)
    half = batch(20, chunk=Chunk(11, 20, 0, 1, pack(Raw())), events=(Event(11, None, "k", "{}"),))  # type: ignore[arg-type]
    with pytest.raises(sqlite3.IntegrityError, match=r"event\.utc"):
        writer.submit(half).result(WAIT_S)
    rows = sqlite3.connect(path)
    assert rows.execute("SELECT count(*) FROM chunk").fetchone() == (0,)
    assert rows.execute("SELECT body FROM progress").fetchone()[0].count('"n":10') == 1
    rows.close()
    writer.submit(batch(20, pulls=(pull(),))).result(WAIT_S)


def test_a_batch_that_is_there_already_is_not_stored_again(writer: Writer, path: Path) -> None:
    writer.submit(OPENING).result(WAIT_S)
    for _ in range(2):
        writer.submit(batch(10, pulls=(pull(),))).result(WAIT_S)
    with Reader(path) as reader:
        assert len(reader.pulls()) == 1


def test_a_run_left_open_is_closed_as_failed_and_continued(path: Path) -> None:
    first = Writer(path)
    first.start()
    first.submit(OPENING).result(WAIT_S)
    first.submit(batch(10, pulls=(pull(),), trips=(trip(),))).result(WAIT_S)
    first.close()
    second = Writer(path)
    second.start()
    second.submit(msgspec.structs.replace(OPENING, continues=True)).result(WAIT_S)
    second.submit(Closing("later", "ok", "stopped")).result(WAIT_S)
    second.submit(OPENING).result(WAIT_S)
    second.close()
    with Reader(path) as reader:
        runs = [(run.id, run.status, run.reason, run.continues) for run in reader.runs()]
    assert runs == [(3, "open", "", None), (2, "ok", "stopped", 1), (1, "failed", "no closing", None)]
    rows = sqlite3.connect(path)
    assert rows.execute("SELECT chunks, pulls, trips FROM closing WHERE run_id = 1").fetchone() == (0, 1, 1)
    rows.close()


def test_a_pull_that_the_end_of_its_run_cuts_off_belongs_to_it(writer: Writer, path: Path) -> None:
    run_id = writer.submit(OPENING).result(WAIT_S).run_id
    saved = writer.submit(Closing("later", "ok", "stopped", (pull(kind="short"),))).result(WAIT_S)
    assert (saved.run_id, saved.pulls) == (run_id, (1,))
    with Reader(path) as reader:
        assert reader.pull(1) == pull(kind="short", id=1, run_id=run_id)
    rows = sqlite3.connect(path)
    assert rows.execute("SELECT pulls FROM closing").fetchall() == [(1,)]
    rows.close()
    with pytest.raises(StoreError, match="before a run is opened"):
        writer.submit(batch(1)).result(WAIT_S)


def test_nothing_is_stored_without_a_run(writer: Writer) -> None:
    with pytest.raises(StoreError, match="before a run is opened"):
        writer.submit(batch(1)).result(WAIT_S)


def test_every_change_of_mind_about_a_pull_is_kept(writer: Writer, path: Path) -> None:
    writer.submit(OPENING).result(WAIT_S)
    writer.submit(batch(10, pulls=(pull(),))).result(WAIT_S)
    writer.submit(KeepChange(1, False, "ann", "choke was on", "t1")).result(WAIT_S)
    writer.submit(KeepChange(1, True, "bo", "it was not", "t2")).result(WAIT_S)
    writer.submit(KeepChange(1, False, "ann", "it was", "t3")).result(WAIT_S)
    with Reader(path) as reader:
        assert reader.pull(1).kept is False
        assert reader.pulls()[0].kept is False
    rows = sqlite3.connect(path)
    assert rows.execute("SELECT who, kept, why, utc FROM pull_change ORDER BY id").fetchall() == [
        ("ann", 0, "choke was on", "t1"), ("bo", 1, "it was not", "t2"), ("ann", 0, "it was", "t3"),
    ]
    assert rows.execute("SELECT kept FROM pull").fetchone() == (1,)
    rows.close()


def test_an_unknown_pull_cannot_be_kept(writer: Writer) -> None:
    with pytest.raises(NotFound, match="no pull 7"):
        writer.submit(KeepChange(7, True, "ann", "", "t")).result(WAIT_S)


@pytest.mark.parametrize("odd", [KeepChange(2**70, True, "ann", "", "t"), KeepChange(1, True, "\ud800", "", "t")])
def test_a_change_that_cannot_be_bound_fails_alone(writer: Writer, odd: KeepChange) -> None:
    writer.submit(OPENING).result(WAIT_S)
    writer.submit(batch(10, pulls=(pull(),))).result(WAIT_S)
    with pytest.raises((OverflowError, UnicodeError)):
        writer.submit(odd).result(WAIT_S)
    assert writer.submit(batch(20, pulls=(pull(),))).result(WAIT_S).pulls == (2,)


# --- the file ------------------------------------------------------------------------------------


def refusal(path: Path) -> str:
    writer = Writer(path, retry_s=0.01)
    writer.start()
    with pytest.raises(StoreError) as told:
        writer.progress.result(WAIT_S)
    writer.close()
    return str(told.value)


def test_a_file_that_is_no_database_is_refused_and_left_alone(path: Path) -> None:
    path.write_bytes(b"not a database at all" * 100)
    assert "is no database. Move it away" in refusal(path)
    assert path.read_bytes() == b"not a database at all" * 100


def test_another_programs_database_is_refused(path: Path) -> None:
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE music (title TEXT)")
    other.close()
    assert "belongs to another program" in refusal(path)


def test_a_newer_store_is_refused(path: Path) -> None:
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA application_id={APPLICATION_ID}")
    newer.execute(f"PRAGMA user_version={SCHEMA + 1}")
    newer.close()
    told = refusal(path)
    assert f"schema {SCHEMA + 1}, this one knows {SCHEMA}" in told
    assert "Install that version again" in told


def test_the_newest_schema_file_is_the_number_we_know() -> None:
    import leverarm_daemon.store as store

    found = sorted(Path(store.__path__[0]).glob("schema_v*.sql"))
    assert [file.name for file in found] == [f"schema_v{n}.sql" for n in range(1, SCHEMA + 1)]


def test_every_commit_waits_for_the_medium(path: Path) -> None:
    connection = open_for_writing(path)
    pragmas = {name: connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")}
    connection.close()
    assert pragmas == {"journal_mode": "wal", "synchronous": 2}


# --- trouble with the disk -----------------------------------------------------------------------


def test_a_missing_folder_is_told_and_writing_goes_on_once_it_is_there(tmp_path: Path) -> None:
    path = tmp_path / "gone" / "leverarm.sqlite"
    writer = Writer(path, retry_s=0.02)
    writer.start()
    waiting = [writer.submit(OPENING), writer.submit(batch(10, pulls=(pull(),)))]
    assert "this user may not write there" in wait_for_trouble(writer)
    assert not any(future.done() for future in waiting)
    path.parent.mkdir()
    assert waiting[1].result(WAIT_S).pulls == (1,)
    assert writer.trouble == ""
    writer.close()


def test_a_disk_that_refuses_for_a_while_loses_nothing(path: Path) -> None:
    writer = Writer(path, retry_s=0.02)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    with locked(path):
        waiting = [writer.submit(batch(n, pulls=(pull(),))) for n in range(10, 15)]
        assert "cannot be written" in wait_for_trouble(writer)
        assert not any(future.done() for future in waiting)
    assert [future.result(WAIT_S).pulls for future in waiting] == [(1,), (2,), (3,), (4,), (5,)]
    writer.close()


def test_a_full_disk_loses_nothing_and_writing_goes_on_when_there_is_room(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = [10**6]

    def little_room(path: Path) -> sqlite3.Connection:
        connection = open_for_writing(path)
        connection.execute(f"PRAGMA max_page_count={room[0]}")
        return connection

    monkeypatch.setattr(writer_module, "open_for_writing", little_room)
    writer = Writer(path, retry_s=0.02)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    writer.submit(batch(1, pulls=(pull(),))).result(WAIT_S)
    writer.close()
    room[0] = 1
    writer = Writer(path, retry_s=0.02)
    writer.start()
    writer.submit(OPENING).result(WAIT_S)
    big = Chunk(1, 2, 0, 1, bytes(200_000))
    waiting = writer.submit(batch(20, chunk=big, pulls=(pull(),)))
    assert "free space on the disk" in wait_for_trouble(writer)
    assert not waiting.done()
    with Reader(path) as reader:
        assert len(reader.pulls()) == 1
    room[0] = 10**6
    assert waiting.result(WAIT_S).pulls == (2,)
    assert writer.trouble == ""
    writer.close()


class locked:  # noqa: N801
    """Hold the file's write lock, which the writer meets as it would meet a disk that refuses."""

    def __init__(self, path: Path) -> None:
        self._other = sqlite3.connect(path, isolation_level=None)

    def __enter__(self) -> None:
        self._other.execute("BEGIN IMMEDIATE")

    def __exit__(self, *_: object) -> None:
        self._other.execute("ROLLBACK")
        self._other.close()


def test_a_full_queue_refuses_and_says_so(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "gone" / "x.sqlite", depth=2, retry_s=0.02)
    writer.start()
    wait_for_trouble(writer)
    writer.submit(OPENING)
    writer.submit(batch(1))
    with pytest.raises(StoreBusy, match="cannot be written"):
        writer.submit(batch(2))
    assert writer.waiting == 2
    writer.close(timeout_s=0.2)


def test_closing_gives_up_what_the_disk_still_refuses(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "gone" / "x.sqlite", retry_s=0.02)
    writer.start()
    future = writer.submit(OPENING)
    started = time.monotonic()
    writer.close(timeout_s=0.2)
    assert time.monotonic() - started < 2.0
    with pytest.raises(StoreError, match="cannot be written"):
        future.result(0)


def test_a_cancelled_future_does_not_stop_the_writer(path: Path) -> None:
    writer = Writer(path)
    cancelled: Future[object] = writer.submit(OPENING)  # type: ignore[assignment]
    cancelled.cancel()
    writer.start()
    assert writer.submit(batch(5, pulls=(pull(),))).result(WAIT_S).pulls == (1,)
    writer.close()


def test_events_keep_their_order(writer: Writer, path: Path) -> None:
    writer.submit(OPENING).result(WAIT_S)
    events = tuple(Event(n, f"t{n}", "link", '{"up":true}') for n in (3, 4, 5))
    writer.submit(Batch(Progress("boot-1", 5, 0, "{}"), events=events)).result(WAIT_S)
    with Reader(path) as reader:
        assert tuple(reader.events(1)) == events
