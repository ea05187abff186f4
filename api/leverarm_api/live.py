"""The live picture: one stream from the recorder, shown to any number of clients as server-sent events.

A tick 20 times a second takes the newest picture, writes it as text once, and puts that into every client's queue.
A client that reads too slowly loses the oldest pictures (the gap in the event ids tells).
When the recorder is silent, or has nothing new from the guard, the hub asks the guard itself and shows that, so that
the state never just freezes.
"""

import asyncio
import contextlib
import logging
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import msgspec

from leverarm_daemon.errors import BadMessage, PeerGone
from leverarm_daemon.ipc.aio import ask_guard, stream_recorder
from leverarm_daemon.ipc.messages import Ask, Done, Picture, RecorderReply, Watch
from leverarm_daemon.records import GuardView, Live

LOG = logging.getLogger(__name__)

TICK_S: Final = 0.05
SILENT_S: Final = 0.3
"""A recorder that sent nothing for so long is taken for gone; it sends 20 times a second."""
GUARD_TIMEOUT_S: Final = 0.1
ASK_EVERY_S: Final = 0.2
RECONNECT_S: Final = 0.25
PING_S: Final = 5.0
QUEUE_LENGTH: Final = 8
MOST_CLIENTS: Final = 32

PING: Final = b": ping\n\n"
END: Final = b""
"""The last thing in a queue: the stream is over."""

RECORDER_GONE: Final = "the recorder does not answer"
BOTH_GONE: Final = "neither the recorder nor the guard answers"


class Client:
    """One listener's queue: bounded, the oldest dropped first."""

    def __init__(self) -> None:
        self._queue: asyncio.Queue[bytes] = asyncio.Queue(QUEUE_LENGTH)
        self.dropped = 0

    def put(self, chunk: bytes) -> None:
        """Add a chunk; never waits."""
        if self._queue.full():
            self._queue.get_nowait()
            self.dropped += 1
        self._queue.put_nowait(chunk)

    async def chunks(self) -> AsyncIterator[bytes]:
        """Give chunks until the stream is over."""
        while chunk := await self._queue.get():
            yield chunk


class LiveHub:
    """The newest picture, and those who listen."""

    def __init__(self, recorder_sock: Path, guard_sock: Path) -> None:
        self._recorder_sock, self._guard_sock = recorder_sock, guard_sock
        self._clients: set[Client] = set()
        self._tasks: tuple[asyncio.Task[None], ...] = ()
        self._live: Live | None = None
        self._arrived_s = time.monotonic()
        self._shown: Live | None = None
        self._event_id = 0
        self._closed = False

    # --- for the routes --------------------------------------------------------------------------

    @property
    def full(self) -> bool:
        """Say whether no further client may listen."""
        return len(self._clients) >= MOST_CLIENTS

    @property
    def streams(self) -> int:
        """Give the number of those who listen."""
        return len(self._clients)

    @property
    def recorder_heard(self) -> bool:
        """Say whether the recorder has sent something lately."""
        return self._live is not None and self._silent_s() < SILENT_S

    def age_ms(self) -> int | None:
        """Give the age of the newest line of the stand link that a picture told of; None before the first one."""
        return None if self._live is None else self._live.age_ms + round(1000 * self._silent_s())

    @contextlib.contextmanager
    def listen(self) -> Iterator[Client]:
        """Be one of those who listen."""
        client = Client()
        if self._closed:
            client.put(END)
        self._clients.add(client)
        try:
            yield client
        finally:
            self._clients.discard(client)

    # --- for the application ---------------------------------------------------------------------

    def start(self) -> None:
        """Begin to follow the recorder."""
        self._tasks = (
            asyncio.create_task(_forever(self._follow, lambda: RECONNECT_S), name="live-follow"),
            asyncio.create_task(_forever(self._tick, self._pause_s), name="live-tick"),
            asyncio.create_task(_forever(self._ping, lambda: PING_S), name="live-ping"),
        )

    def end_streams(self) -> None:
        """End every stream, so that the server can stop."""
        self._closed = True
        self._put(END)
        self._clients.clear()

    async def close(self) -> None:
        """Stop following the recorder."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # --- inside ----------------------------------------------------------------------------------

    def _silent_s(self) -> float:
        return time.monotonic() - self._arrived_s

    @property
    def _fresh(self) -> bool:
        """Say whether what the recorder sends is new, and not the last word of a guard that went silent."""
        return self._live is not None and self.recorder_heard and self._live.age_ms < 1000 * SILENT_S

    def _pause_s(self) -> float:
        return TICK_S if self._fresh else ASK_EVERY_S

    async def _follow(self) -> None:
        """Take pictures until the recorder is gone."""
        try:
            async for reply in stream_recorder(self._recorder_sock, Watch()):
                self._take(reply)
        except (PeerGone, BadMessage) as error:
            LOG.debug("recorder: %s", error)

    def _take(self, reply: RecorderReply) -> None:
        if isinstance(reply, Picture):
            self._live, self._arrived_s = reply.live, time.monotonic()

    async def _tick(self) -> None:
        """Show the newest picture, once, to whoever listens."""
        if not self._clients:
            return
        live = self._live if self._fresh else await self._asking_guard()
        if live is not None and live is not self._shown:
            self._shown = live
            self._event_id += 1
            self._put(b"event: live\nid: %d\ndata: %b\n\n" % (self._event_id, msgspec.json.encode(live)))

    async def _ping(self) -> None:
        self._put(PING)

    def _put(self, chunk: bytes) -> None:
        for client in self._clients:
            client.put(chunk)

    async def _asking_guard(self) -> Live:
        """Make the picture with the guard's own word, None when it does not answer."""
        guard, last = await self._ask_guard(), self._live
        if last is not None and self.recorder_heard:
            return msgspec.structs.replace(last, guard=guard)
        return self._without_recorder(guard, last)

    def _without_recorder(self, guard: GuardView | None, last: Live | None) -> Live:
        """Make the picture that is left when the recorder is silent: the guard's state, and no number."""
        return Live(
            utc=datetime.now(UTC).isoformat(timespec="milliseconds"),
            device_us=last.device_us if last else 0,
            guard=guard, values={}, recorded=False,
            not_recorded_because=RECORDER_GONE if guard else BOTH_GONE,
            pull="", curve=(), last_pull=last.last_pull if last else None, dropped=last.dropped if last else 0,
            age_ms=(last.age_ms if last else 0) + round(1000 * self._silent_s()),
        )

    async def _ask_guard(self) -> GuardView | None:
        """Ask the guard itself; None when it does not answer in time."""
        try:
            reply = await ask_guard(self._guard_sock, Ask(), timeout_s=GUARD_TIMEOUT_S)
        except (PeerGone, BadMessage):
            return None
        return reply.view if isinstance(reply, Done) else None


async def _forever(step: Callable[[], Awaitable[None]], pause_s: Callable[[], float]) -> None:
    """Do a step again and again; a mistake in one is logged, and does not end the rest."""
    while True:
        try:
            await step()
        except Exception:
            LOG.exception("live")
        await asyncio.sleep(pause_s())
