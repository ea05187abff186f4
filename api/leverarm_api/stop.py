"""Stops, passed on to the guard.

Any number of people may ask at once; the guard must not be kept from its work by them. So at most one stop is on
its way at a time, and all who ask meanwhile share the next one. Nobody shares one that was sent before they asked.
"""

import asyncio
from pathlib import Path
from typing import Final

from leverarm_daemon.ipc.aio import ask_guard
from leverarm_daemon.ipc.messages import GuardReply, Stop

TIMEOUT_S: Final = 1.0


class Stopper:
    """The one way by which stops go to the guard."""

    def __init__(self, guard_sock: Path) -> None:
        self._guard_sock = guard_sock
        self._one_at_a_time = asyncio.Lock()
        self._next: asyncio.Task[GuardReply] | None = None

    async def stop(self, who: str) -> GuardReply:
        """Have the engine stopped; raises PeerGone when the guard does not answer."""
        if self._next is None:
            self._next = asyncio.create_task(self._send(who), name="stop")
        return await asyncio.shield(self._next)     # one asker who leaves takes nothing from the others

    async def close(self) -> None:
        """Wait until every stop that was asked for has been sent."""
        async with self._one_at_a_time:
            pass

    async def _send(self, who: str) -> GuardReply:
        async with self._one_at_a_time:
            self._next = None
            return await ask_guard(self._guard_sock, Stop(who), timeout_s=TIMEOUT_S)
