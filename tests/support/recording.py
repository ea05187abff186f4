"""A recorder in this process, and a guard that has items to tell it."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

import msgspec

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import PeerGone
from leverarm_daemon.ipc.aio import Peer, serve, stream_recorder
from leverarm_daemon.ipc.messages import Committed, Follow, GuardRequest, Picture, Start, View, Watch
from leverarm_daemon.recorder.process import Recorder
from leverarm_daemon.records import Live
from support.items import Item
from support.samples import VIEW

WAIT_S = 10.0


class ItemsGuard:
    """A guard that has `items[:upto]` to tell, and keeps what is acknowledged."""

    def __init__(self, items: list[Item], boot: str = "g1") -> None:
        self.items, self.boot, self.upto = items, boot, 0
        self.followed: list[Follow] = []
        self.committed = 0
        self.more = asyncio.Event()

    def tell(self, upto: int | None = None) -> None:
        self.upto = len(self.items) if upto is None else upto
        self.more.set()

    async def attend(self, peer: Peer[GuardRequest]) -> None:
        follow = await peer.receive()
        assert isinstance(follow, Follow)
        self.followed.append(follow)
        sending = asyncio.create_task(self._send(peer, follow.after if follow.boot == self.boot else 0))
        try:
            while True:
                request = await peer.receive()
                assert isinstance(request, Committed)
                assert request.boot == self.boot
                self.committed = request.n
        finally:
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)

    async def _send(self, peer: Peer[GuardRequest], after: int) -> None:
        await peer.send(Start(self.boot, after + 1))
        while True:
            for item in self.items[after : self.upto]:
                await peer.send(item)
            after = max(after, self.upto)
            await peer.send(View(msgspec.structs.replace(VIEW, boot=self.boot)))
            self.more.clear()
            with suppress(TimeoutError):
                await asyncio.wait_for(self.more.wait(), 0.05)


@asynccontextmanager
async def recording(stand: StandFile) -> AsyncIterator[asyncio.Task[None]]:
    stop = asyncio.Event()
    task = asyncio.create_task(Recorder(stand).run(stop))
    try:
        yield task
    finally:
        stop.set()
        await task


@asynccontextmanager
async def guarding(stand: StandFile, guard: ItemsGuard) -> AsyncIterator[None]:
    async with serve(stand.guard_sock, GuardRequest, guard.attend):
        yield


async def until(look: Callable[[], object], what: str) -> None:
    try:
        async with asyncio.timeout(WAIT_S):
            while not look():  # noqa: ASYNC110
                await asyncio.sleep(0.01)
    except TimeoutError:
        raise AssertionError(f"not in time: {what}") from None


async def picture(stand: StandFile, wanted: Callable[[Live], bool]) -> Live:
    async with asyncio.timeout(WAIT_S):
        while True:
            with suppress(PeerGone):
                async for reply in stream_recorder(stand.recorder_sock, Watch()):
                    assert isinstance(reply, Picture)
                    if wanted(reply.live):
                        return reply.live
            await asyncio.sleep(0.02)
