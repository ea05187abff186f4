"""Two processes on one socket: understood, or told what was wrong; never waiting without end."""

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from leverarm_daemon.errors import BadMessage, PeerGone, RefuseToStart
from leverarm_daemon.ipc import aio, blocking
from leverarm_daemon.ipc.aio import Peer, ask_guard, ask_recorder, connect_guard, serve, stream_recorder
from leverarm_daemon.ipc.messages import (
    Ask,
    Done,
    Fine,
    Follow,
    GuardRequest,
    Keep,
    No,
    Picture,
    RecorderRequest,
    Start,
    Watch,
)
from support.samples import LIVE, VIEW


async def answering(peer: Peer[Any]) -> None:
    """Answer each request with what belongs to it."""
    while True:
        match await peer.receive():
            case Ask():
                await peer.send(Done(VIEW))
            case Keep():
                await peer.send(Fine())
            case Follow() as follow:
                await peer.send(Start(follow.boot, follow.after + 1))
                return
            case Watch():
                for _ in range(3):
                    await peer.send(Picture(LIVE))
                return


@pytest.fixture
async def guard(tmp_path: Path) -> AsyncIterator[Path]:
    async with serve(tmp_path / "guard.sock", GuardRequest, answering):
        yield tmp_path / "guard.sock"


@pytest.fixture
async def recorder(tmp_path: Path) -> AsyncIterator[Path]:
    async with serve(tmp_path / "recorder.sock", RecorderRequest, answering):
        yield tmp_path / "recorder.sock"


@asynccontextmanager
async def raw_server(path: Path, talk: Callable[..., Awaitable[None]]) -> AsyncIterator[None]:
    server = await asyncio.start_unix_server(talk, str(path))
    try:
        yield
    finally:
        server.close()
        await server.wait_closed()


async def test_a_question_is_answered(guard: Path, recorder: Path) -> None:
    assert await ask_guard(guard, Ask()) == Done(VIEW)
    assert await ask_recorder(recorder, Keep(1, True, "ann", "")) == Fine()


async def test_the_blocking_side_speaks_the_same(guard: Path) -> None:
    assert await asyncio.to_thread(blocking.ask_guard, guard, Ask()) == Done(VIEW)


async def test_a_stream_ends_by_telling_that_the_peer_is_gone(recorder: Path) -> None:
    got: list[object] = []
    with pytest.raises(PeerGone, match=r"recorder\.sock: closed the connection"):
        await drain(stream_recorder(recorder, Watch()), got)
    assert got == [Picture(LIVE)] * 3


async def test_who_talks_both_ways_hears_that_the_peer_is_gone(guard: Path) -> None:
    async with connect_guard(guard) as peer:
        await peer.send(Follow("b", 41))
        assert await peer.receive() == Start("b", 42)
        with pytest.raises(PeerGone, match=r"guard\.sock: closed the connection"):
            await peer.receive()


@pytest.mark.parametrize("number", [0, -1, 2**63, 2**70])
async def test_a_number_that_no_pull_can_have_is_not_understood(recorder: Path, number: int) -> None:
    reply = await ask_recorder(recorder, Keep(number, True, "ann", ""))
    assert isinstance(reply, No)
    assert reply.kind == "bad"


async def drain(stream: AsyncIterator[object], into: list[object]) -> None:
    async for message in stream:
        into.append(message)


async def test_nobody_there(tmp_path: Path) -> None:
    with pytest.raises(PeerGone, match=r"guard\.sock: No such file"):
        await ask_guard(tmp_path / "guard.sock", Ask())


async def test_a_hung_peer_is_given_up(tmp_path: Path) -> None:
    async def hang(peer: Peer[Any]) -> None:
        await asyncio.sleep(60)

    async with serve(tmp_path / "g", GuardRequest, hang):
        started = time.monotonic()
        with pytest.raises(PeerGone, match=r"no answer within 0\.1 s"):
            await ask_guard(tmp_path / "g", Ask(), timeout_s=0.1)
        assert time.monotonic() - started < 1.0


@pytest.mark.parametrize("line", [b"{}\n", b"not json\n", b'{"type":"start","boot":"b"}\n', b'{"type":"x"}\n'])
async def test_an_answer_that_is_not_understood(tmp_path: Path, line: bytes) -> None:
    async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(line)
        await writer.drain()
        writer.close()

    async with raw_server(tmp_path / "g", babble):
        with pytest.raises(BadMessage, match="not understood"):
            await ask_guard(tmp_path / "g", Ask())


async def test_an_endless_line_is_not_read_for_ever(tmp_path: Path) -> None:
    async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            for _ in range(40):
                writer.write(b"x" * 100_000)
                await writer.drain()
        writer.close()

    async with raw_server(tmp_path / "g", flood):
        with pytest.raises(PeerGone, match="longer than"):
            await ask_guard(tmp_path / "g", Ask())


async def test_a_request_that_is_not_understood_is_refused_and_the_next_client_served(recorder: Path) -> None:
    reader, writer = await asyncio.open_unix_connection(str(recorder))
    writer.write(b'{"type":"keep","pull":"first"}\n')
    assert b'"kind":"bad"' in await reader.readline()
    assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()
    assert await ask_recorder(recorder, Keep(1, True, "ann", "")) == Fine()


async def test_a_dead_processs_socket_is_replaced_and_a_living_one_respected(tmp_path: Path) -> None:
    path = tmp_path / "recorder.sock"
    path.touch()
    async with serve(path, RecorderRequest, answering):
        assert await ask_recorder(path, Keep(1, True, "ann", "")) == Fine()
        with pytest.raises(RefuseToStart, match="another process serves it"):
            async with serve(path, RecorderRequest, answering):
                pass
        assert await ask_recorder(path, Keep(1, True, "ann", "")) == Fine()
    assert not path.exists()


async def test_a_client_that_never_reads_holds_nobody_up(tmp_path: Path) -> None:
    sent = 0

    async def pour(peer: Peer[Any]) -> None:
        nonlocal sent
        while True:
            await peer.send(Picture(LIVE))
            sent += 1

    path = tmp_path / "r"
    async with serve(path, RecorderRequest, pour):
        _, writer = await asyncio.open_unix_connection(str(path))
        await asyncio.sleep(0.3)
        poured = sent
        await asyncio.sleep(0.1)
        assert sent == poured, "sending did not wait for the reader"
        assert len(await asyncio.wait_for(_first(path), 2.0)) > 0
        started = time.monotonic()
    assert time.monotonic() - started < 2.0
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()


async def _first(path: Path) -> bytes:
    reader, writer = await asyncio.open_unix_connection(str(path), limit=aio.LONGEST)
    line = await reader.readline()
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()
    return line
