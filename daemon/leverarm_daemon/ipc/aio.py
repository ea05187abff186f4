"""The local sockets with asyncio: one JSON object a line, both ways.

`ask_...` puts one question; `stream_recorder` gives what comes after one request; `connect_...` is the
open connection underneath, for who talks both ways; `serve` is the other side.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

import msgspec

from leverarm_daemon.errors import BadMessage, PeerGone, RefuseToStart
from leverarm_daemon.ipc.messages import GuardReply, GuardRequest, No, RecorderReply, RecorderRequest
from leverarm_daemon.records import Record

LONGEST: Final = 1_000_000
"""Bytes in a message, line end included."""

MOST_UNSENT: Final = 1_000_000
"""Bytes that may wait for a slow peer before `send` waits too."""

ACCEPTED_S: Final = 0.01
CLOSING_S: Final = 0.5

GONE: Final = (OSError, EOFError)

T = TypeVar("T")

_encode = msgspec.json.Encoder().encode
_guard_replies: Final = msgspec.json.Decoder(GuardReply)
_recorder_replies: Final = msgspec.json.Decoder(RecorderReply)


class Peer(Generic[T]):
    """One open connection; T is what the other side sends."""

    def __init__(
        self, name: str, decoder: Any, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.name = name
        self._decoder, self._reader, self._writer = decoder, reader, writer

    async def send(self, message: Record) -> None:
        """Send one message, waiting while the peer is far behind; raises PeerGone."""
        try:
            self._writer.write(_encode(message) + b"\n")
            await self._writer.drain()
        except GONE as error:
            raise PeerGone(f"{self.name}: {error or 'gone'}") from None

    async def receive(self) -> T:
        """Give the next message; raises PeerGone, or BadMessage for one that is not understood."""
        try:
            line = await self._reader.readuntil(b"\n")
        except asyncio.LimitOverrunError:
            raise PeerGone(f"{self.name}: a message longer than {LONGEST} bytes") from None
        except GONE as error:
            raise PeerGone(f"{self.name}: {_why(error)}") from None
        try:
            message: T = self._decoder.decode(line)
        except msgspec.MsgspecError as error:
            raise BadMessage(f"{self.name}: not understood: {error}") from None
        return message

    async def close(self) -> None:
        """Close the connection; a peer that takes nothing more loses what is left."""
        self._writer.close()
        try:
            async with asyncio.timeout(CLOSING_S):
                await self._writer.wait_closed()
        except (OSError, TimeoutError):
            self._writer.transport.abort()


def connect_guard(path: Path) -> "Connection[GuardReply]":
    """Open a connection to the guard, closed on leaving the context; raises PeerGone."""
    return Connection(path, _guard_replies)


def connect_recorder(path: Path) -> "Connection[RecorderReply]":
    """Open a connection to the recorder, closed on leaving the context; raises PeerGone."""
    return Connection(path, _recorder_replies)


async def ask_guard(path: Path, request: GuardRequest, timeout_s: float = 2.0) -> GuardReply:
    """Ask the guard; raises PeerGone when it does not answer in time, BadMessage."""
    return await _ask(connect_guard(path), request, timeout_s)


async def ask_recorder(path: Path, request: RecorderRequest, timeout_s: float = 2.0) -> RecorderReply:
    """Ask the recorder; raises PeerGone when it does not answer in time, BadMessage."""
    return await _ask(connect_recorder(path), request, timeout_s)


async def stream_recorder(path: Path, request: RecorderRequest) -> AsyncIterator[RecorderReply]:
    """Give what the recorder sends after a request, until it goes: then raises PeerGone."""
    async with connect_recorder(path) as peer:
        await peer.send(request)
        while True:
            yield await peer.receive()


class Connection(Generic[T]):
    """Opens a Peer on entering the context and closes it on leaving."""

    def __init__(self, path: Path, decoder: Any) -> None:
        self._path, self._decoder = path, decoder

    async def __aenter__(self) -> Peer[T]:
        try:
            reader, writer = await asyncio.open_unix_connection(str(self._path), limit=LONGEST)
        except OSError as error:
            raise PeerGone(f"{self._path.name}: {error.strerror or error}") from None
        self._peer: Peer[T] = Peer(self._path.name, self._decoder, reader, writer)
        return self._peer

    async def __aexit__(self, *_: object) -> None:
        await self._peer.close()


async def _ask(connection: Connection[T], request: Record, timeout_s: float) -> T:
    try:
        async with asyncio.timeout(timeout_s), connection as peer:
            await peer.send(request)
            return await peer.receive()
    except TimeoutError:
        raise PeerGone(f"no answer within {timeout_s:g} s") from None


def _why(error: BaseException) -> str:
    return "closed the connection" if isinstance(error, asyncio.IncompleteReadError) else str(error)


# --- the other side ------------------------------------------------------------------------------

Handler = Callable[[Peer[Any]], Awaitable[None]]


@asynccontextmanager
async def serve(path: Path, requests: Any, handler: Handler) -> AsyncIterator[None]:
    """Listen on `path` while the context lasts, and run `handler` for each connection.

    `requests` is the type of what clients may send. The handler's PeerGone ends its connection, its
    BadMessage is answered with No first. Raises RefuseToStart when somebody else listens there.
    """
    decoder, running = msgspec.json.Decoder(requests), set[asyncio.Task[None]]()

    async def client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer: Peer[Any] = Peer(path.name, decoder, reader, writer)
        writer.transport.set_write_buffer_limits(high=MOST_UNSENT)
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 (a handler always runs in a task)
        running.add(task)
        try:
            await _attend(peer, handler)
        finally:
            running.discard(task)

    await _clear(path)
    server = await asyncio.start_unix_server(client, str(path), limit=LONGEST)
    _let_group_in(path)
    try:
        yield
    finally:
        await asyncio.sleep(ACCEPTED_S)     # a server that closes forgets a connection that it has just accepted
        server.close()
        await _end(running)
        _remove(path)


async def _attend(peer: Peer[Any], handler: Handler) -> None:
    """Serve one connection until either side ends it."""
    try:
        await handler(peer)
    except BadMessage as error:
        with suppress(PeerGone):
            await peer.send(No("bad", (str(error),)))
    except PeerGone:
        pass
    except asyncio.CancelledError:
        pass  # serve is ending
    finally:
        await peer.close()


async def _end(tasks: set[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def _clear(path: Path) -> None:
    """Remove the socket of a process that died; raises RefuseToStart when one lives."""
    try:
        _, writer = await asyncio.open_unix_connection(str(path))
    except OSError:
        _remove(path)
        return
    writer.close()
    await writer.wait_closed()
    raise RefuseToStart(f"{path}: another process serves it. Stop that one first")


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)


def _let_group_in(path: Path) -> None:
    path.chmod(0o660)
