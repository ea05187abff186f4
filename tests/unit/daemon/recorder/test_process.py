"""The recorder as a process: acknowledges what is committed, and comes back from whatever happens to it."""

import asyncio
import sqlite3
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, closing, contextmanager
from pathlib import Path

import msgspec
import pytest

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import PeerGone, RefuseToStart, StoreError
from leverarm_daemon.ipc.aio import Peer, ask_recorder, serve, stream_recorder
from leverarm_daemon.ipc.messages import (
    Fine,
    GuardRequest,
    Keep,
    Line,
    No,
    Watch,
)
from leverarm_daemon.recorder import process
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.recorder.process import Recorder
from leverarm_daemon.records import Pull
from leverarm_daemon.store.changes import Progress
from leverarm_daemon.store.reader import MARGIN_US, Reader
from leverarm_daemon.store.writer import Writer
from support.items import Item, campaign_items, run
from support.recording import WAIT_S, ItemsGuard, guarding, picture, recording, until
from support.samples import VIEW

Campaign = tuple[StandFile, list[Item]]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    return campaign_items(tmp_path_factory.mktemp("campaign"), "A")


@pytest.fixture
def stand(campaign: Campaign, tmp_path: Path) -> StandFile:
    return msgspec.structs.replace(campaign[0], state_dir=str(tmp_path))


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the store's write lock, which the writer meets as it would meet a disk that refuses."""
    other = sqlite3.connect(path, isolation_level=None)
    try:
        other.execute("PRAGMA busy_timeout=5000")
        other.execute("BEGIN IMMEDIATE")
        yield
    finally:
        other.close()


def all_raw(stand: StandFile) -> list[tuple[int, int]]:
    with Reader(stand.store) as reader:
        newest = reader.runs()[0]
        raw, damaged = reader.raw_between(newest.id, 0, 2**62)
    assert damaged == 0
    return list(raw.edges)


def expected_raw(campaign: Campaign, upto: int) -> list[tuple[int, int]]:
    return list(run(Pipeline(campaign[0], "g1"), campaign[1][:upto]).raw.edges)


def around(pull: Pull, edges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    return [edge for edge in edges if pull.started_us - MARGIN_US <= edge[0] <= pull.ended_us + MARGIN_US]


async def test_items_become_a_stored_pull_and_are_acknowledged(campaign: Campaign, stand: StandFile) -> None:
    guard = ItemsGuard(campaign[1])
    async with guarding(stand, guard), recording(stand):
        guard.tell()
        await until(lambda: guard.committed > len(campaign[1]) - 300, "everything is acknowledged")
        live = await picture(stand, lambda live: live.last_pull is not None)
        assert live.last_pull == 1
        assert (live.recorded, live.not_recorded_because, live.dropped) == (True, "", 0)
        assert live.guard == msgspec.structs.replace(VIEW, boot="g1")
        acknowledged = guard.committed
        with closing(sqlite3.connect(stand.store)) as rows:
            (body,) = rows.execute("SELECT body FROM progress").fetchone()
        assert acknowledged <= msgspec.json.decode(body, type=Progress).n
    with Reader(stand.store) as reader:
        (pull,) = reader.pulls()
        assert (pull.id, pull.run_id, pull.build, pull.kind) == (1, 1, "paper", "pull")
        assert [trip.first_cause for trip in reader.trips()] == ["overspeed"]
        assert [(each.status, each.reason) for each in reader.runs()] == [("ok", "the recorder was stopped")]
        found = reader.raw(1).raw
    assert list(found.edges) == around(pull, expected_raw(campaign, len(campaign[1])))


async def test_nothing_is_acknowledged_before_it_is_committed(
    campaign: Campaign, stand: StandFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "Writer", lambda path: Writer(path, retry_s=0.05))
    guard = ItemsGuard(campaign[1])
    async with guarding(stand, guard), recording(stand):
        guard.tell(300)
        await until(lambda: guard.committed > 0, "the first items are acknowledged")
        with locked(stand.store):
            await asyncio.sleep(0.3)
            before = guard.committed
            guard.tell()
            live = await picture(stand, lambda live: "locked" in live.not_recorded_because)
            assert not live.recorded
            assert live.values["drum_c"].value is not None
            assert guard.committed == before
        await until(lambda: guard.committed > len(campaign[1]) - 300, "everything is acknowledged after all")
        assert (await picture(stand, lambda live: live.recorded)).last_pull == 1


async def test_what_the_store_could_not_take_is_fetched_again(
    campaign: Campaign, stand: StandFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "Writer", lambda path: Writer(path, depth=8, retry_s=0.05))
    guard = ItemsGuard(campaign[1])
    async with guarding(stand, guard), recording(stand):
        guard.tell(300)
        await until(lambda: guard.committed > 0, "the first items are acknowledged")
        with locked(stand.store):
            guard.tell(3000)
            await picture(stand, lambda live: "locked" in live.not_recorded_because and live.dropped > 0)
        guard.tell()
        await until(lambda: guard.committed > len(campaign[1]) - 300, "everything is acknowledged after all")
    assert len(guard.followed) > 1
    assert all_raw(stand) == expected_raw(campaign, len(campaign[1]))[: len(all_raw(stand))]
    with Reader(stand.store) as reader:
        assert (len(reader.pulls()), len(reader.trips()), len(reader.runs())) == (1, 1, 1)


async def test_a_guard_that_starts_anew_begins_another_run(campaign: Campaign, stand: StandFile) -> None:
    first, second = ItemsGuard(campaign[1]), ItemsGuard(campaign[1], "g2")
    async with recording(stand):
        async with guarding(stand, first):
            first.tell(900)
            await until(lambda: first.committed > 500, "items of the first are acknowledged")
        assert (await picture(stand, lambda live: live.guard is None)).guard is None
        async with guarding(stand, second):
            second.tell()
            await until(lambda: second.committed > len(campaign[1]) - 300, "items of the second are acknowledged")
    assert second.followed[0].boot == "g1"
    with Reader(stand.store) as reader:
        runs = [(each.id, each.status, each.reason, each.continues) for each in reader.runs()]
    assert runs == [(2, "ok", "the recorder was stopped", None), (1, "ok", "the guard was started anew", None)]


async def test_a_lost_connection_goes_on_in_the_same_run(campaign: Campaign, stand: StandFile) -> None:
    guard = ItemsGuard(campaign[1])
    async with recording(stand):
        async with guarding(stand, guard):
            guard.tell(900)
            await until(lambda: guard.committed > 500, "the first items are acknowledged")
        async with guarding(stand, guard):
            guard.tell()
            await until(lambda: guard.committed > len(campaign[1]) - 300, "everything is acknowledged")
    with Reader(stand.store) as reader:
        assert len(reader.runs()) == 1
        assert len(reader.pulls()) == 1


async def test_a_touch_keeps_or_leaves_out_a_pull(campaign: Campaign, stand: StandFile) -> None:
    guard = ItemsGuard(campaign[1])
    async with guarding(stand, guard), recording(stand):
        guard.tell()
        await picture(stand, lambda live: live.last_pull == 1)
        assert await ask_recorder(stand.recorder_sock, Keep(1, False, "ann", "choke on")) == Fine()
        refused = await ask_recorder(stand.recorder_sock, Keep(5, False, "ann", ""))
        assert refused == No("refused", ("there is no pull 5",))
    with Reader(stand.store) as reader:
        assert reader.pull(1).kept is False


async def test_pictures_come_twenty_times_a_second(campaign: Campaign, stand: StandFile) -> None:
    guard = ItemsGuard(campaign[1])
    async with guarding(stand, guard), recording(stand):
        guard.tell(500)
        await picture(stand, lambda live: live.age_ms < 10**9)
        count, loop = 0, asyncio.get_running_loop()
        begun_s = loop.time()
        async for _ in stream_recorder(stand.recorder_sock, Watch()):
            count += 1
            if count == 21:
                break
    assert 0.9 < loop.time() - begun_s < 2.0


async def test_without_a_guard_the_picture_says_so(stand: StandFile) -> None:
    async with recording(stand):
        live = await picture(stand, lambda live: True)
    assert live.guard is None
    assert live.age_ms == process.NO_LINE_MS
    assert live.values["speed_rpm"].value is None


async def test_a_foreign_file_is_refused_and_told(stand: StandFile) -> None:
    stand.store.write_bytes(b"something else" * 400)
    with pytest.raises(StoreError, match="is no database"):
        await Recorder(stand).run(asyncio.Event())


# --- as a process --------------------------------------------------------------------------------


@asynccontextmanager
async def spawned(folder: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "leverarm_daemon.recorder.process", str(folder / "stand.toml"),
        stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        yield child
    finally:
        if child.returncode is None:
            child.kill()
        await child.communicate()


def written_stand(stand: StandFile, source: Path) -> Path:
    """Give the folder of a stand whose file is on the disk."""
    folder = Path(stand.state_dir)
    text = (source / "stand.toml").read_text()
    folder.joinpath("stand.toml").write_text(text.replace(str(source), str(folder)))
    return folder


async def test_killed_in_a_pull_it_has_the_whole_pull_afterwards(campaign: Campaign, stand: StandFile) -> None:
    folder = written_stand(stand, Path(campaign[0].state_dir))
    items = campaign[1]
    (pull,) = run(Pipeline(campaign[0], "g1"), items).pulls
    middle_us = (pull.started_us + pull.ended_us) // 2
    middle = next(k for k, item in enumerate(items) if isinstance(item, Line) and item.device_us > middle_us)
    guard = ItemsGuard(items)
    async with guarding(stand, guard):
        async with spawned(folder) as child:
            guard.tell(middle)
            await until(lambda: guard.committed > middle - 300, "it records in the pull")
            child.kill()
        async with spawned(folder) as child:
            guard.tell()
            await until(lambda: guard.committed > len(items) - 300, "everything is acknowledged")
            child.terminate()
            assert await asyncio.wait_for(child.wait(), WAIT_S) == 0
    with Reader(stand.store) as reader:
        (found,) = reader.pulls()
        raw = reader.raw(found.id).raw
        runs = [(each.id, each.status, each.reason, each.continues) for each in reader.runs()]
    assert runs == [(2, "ok", "the recorder was stopped", 1), (1, "failed", "no closing", None)]
    assert abs(found.started_us - pull.started_us) < 500_000
    assert abs(found.ended_us - pull.ended_us) < 500_000
    assert list(raw.edges) == around(found, expected_raw(campaign, len(items)))
    assert all_raw(stand) == expected_raw(campaign, len(items))[: len(all_raw(stand))]


@pytest.mark.parametrize(
    ("prepare", "told"),
    [
        (lambda stand: stand.store.write_bytes(b"x" * 4000), "is no database. Move it away"),
        (lambda stand: Path(stand.state_dir, "stand.toml").write_text("[stand]\nnam = 1\n"), "stand.toml"),
    ],
)
async def test_it_refuses_to_start_and_says_why(
    campaign: Campaign, stand: StandFile, prepare: Callable[[StandFile], object], told: str
) -> None:
    folder = written_stand(stand, Path(campaign[0].state_dir))
    prepare(stand)
    async with spawned(folder) as child:
        _, words = await asyncio.wait_for(child.communicate(), WAIT_S)
    assert child.returncode == 2
    assert told in words.decode()


async def _never(peer: Peer[GuardRequest]) -> None:
    await asyncio.sleep(60)


@pytest.mark.parametrize("hung", [True, False])
async def test_a_hung_or_missing_guard_does_not_keep_it_from_ending(stand: StandFile, hung: bool) -> None:
    handler: Callable[[Peer[GuardRequest]], Awaitable[None]] = _never
    if hung:
        async with serve(stand.guard_sock, GuardRequest, handler), recording(stand):
            await asyncio.sleep(0.2)
    else:
        async with recording(stand):
            await asyncio.sleep(0.2)


async def test_a_pull_that_ending_cuts_off_is_stored_and_the_whole_one_found_afterwards(
    campaign: Campaign, stand: StandFile
) -> None:
    items = campaign[1]
    (pull,) = run(Pipeline(campaign[0], "g1"), items).pulls
    late_us = pull.ended_us - 1_000_000
    late = next(k for k, item in enumerate(items) if isinstance(item, Line) and item.device_us > late_us)
    guard = ItemsGuard(items)
    async with guarding(stand, guard):
        async with recording(stand):
            guard.tell(late)
            await until(lambda: guard.committed > late - 300, "it records in the pull")
            await picture(stand, lambda live: live.pull != "" and live.device_us > late_us - 100_000)
        with Reader(stand.store) as reader:
            assert [(each.kind, each.ended_by) for each in reader.pulls()] == [("short", "recording ended")]
        async with recording(stand):
            guard.tell()
            await picture(stand, lambda live: live.last_pull == 2)
    with Reader(stand.store) as reader:
        assert [(each.id, each.started_us) for each in reader.kept("paper")] == [(2, pull.started_us)]


async def test_a_lost_item_is_counted_in_the_picture_and_stays_counted(campaign: Campaign, stand: StandFile) -> None:
    items = [item for item in campaign[1] if item.n not in (200, 300)]
    guard, again = ItemsGuard(items), ItemsGuard(campaign[1], "g2")
    async with recording(stand):
        async with guarding(stand, guard):
            guard.tell(600)
            assert (await picture(stand, lambda live: live.dropped > 1)).dropped == 2
        async with guarding(stand, again):
            again.tell(600)
            await picture(stand, lambda live: live.guard is not None and live.guard.boot == "g2")
            assert (await picture(stand, lambda live: True)).dropped == 2


@pytest.mark.parametrize(
    ("error", "code"),
    [(TimeoutError("late"), 1), (OSError("odd"), 1), (PeerGone("gone"), 1), (RefuseToStart("no"), 2)],
)
def test_only_a_refusal_ends_it_for_good(
    stand: StandFile, campaign: Campaign, monkeypatch: pytest.MonkeyPatch, error: Exception, code: int
) -> None:
    folder = written_stand(stand, Path(campaign[0].state_dir))

    async def fail(stand: StandFile) -> None:
        raise error

    monkeypatch.setattr(process, "record", fail)
    monkeypatch.setattr(sys, "argv", ["recorder", str(folder / "stand.toml")])
    assert process.main() == code


def test_what_it_cannot_open_of_its_own_is_a_refusal(
    stand: StandFile, campaign: Campaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = written_stand(stand, Path(campaign[0].state_dir))
    monkeypatch.setattr(sys, "argv", ["recorder", str(folder / "stand.toml")])
    stand.recorder_sock.mkdir()
    assert process.main() == 2
    text = folder.joinpath("stand.toml").read_text()
    folder.joinpath("stand.toml").write_text(text.replace(str(folder), str(folder / "stand.toml")))
    assert process.main() == 2
