"""Live pictures for whoever watches: a short queue each, the oldest dropped first."""

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from typing import Final

from leverarm_daemon.records import Live

QUEUE: Final = 4


class Viewers:
    """Everybody who watches. `dropped` counts pictures that came too fast for somebody."""

    def __init__(self) -> None:
        self.dropped = 0
        self._queues: set[asyncio.Queue[Live]] = set()

    def __bool__(self) -> bool:
        return bool(self._queues)

    def show(self, live: Live) -> None:
        """Show a picture to everybody, never waiting."""
        for queue in self._queues:
            if queue.full():
                queue.get_nowait()
                self.dropped += 1
            queue.put_nowait(live)

    @contextmanager
    def watching(self) -> Iterator[AsyncIterator[Live]]:
        """Give the pictures from now on, while the context lasts."""
        queue: asyncio.Queue[Live] = asyncio.Queue(QUEUE)
        self._queues.add(queue)
        try:
            yield _each(queue)
        finally:
            self._queues.discard(queue)


async def _each(queue: asyncio.Queue[Live]) -> AsyncIterator[Live]:
    while True:
        yield await queue.get()
