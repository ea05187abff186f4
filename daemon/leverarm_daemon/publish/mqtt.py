"""Values, state, pulls and trips to an MQTT broker; only a stop comes back.

Topics below `PREFIX/STAND/`, all JSON but `status`:

    status     "online" or "offline", retained; the broker says "offline" for us when we vanish
    state      the guard's view at each change, retained
    live       ten times a second, never kept: without a broker it is dropped and counted
    pull       each pull once it is stored, without its curve; kept until the broker has it
    trip       each trip once it is stored; kept until the broker has it
    cmd/stop   whoever writes here stops the engine; a retained message is ignored

Nothing here waits on behalf of the caller: a dead, hung or missing broker costs a full queue.
"""

import asyncio
import logging
import random
from collections import deque
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Final, TypeVar

import aiomqtt
import msgspec

from leverarm_daemon.config import MqttSection
from leverarm_daemon.errors import LeverarmError
from leverarm_daemon.records import GuardView, Live, Pull, Trip

FIRST_WAIT_S: Final = 0.5
LONGEST_WAIT_S: Final = 30.0
ANSWER_S: Final = 5.0
KEEPALIVE_S: Final = 10
FAREWELL_S: Final = 1.0
MOST_LIVE: Final = 20
MOST_KEPT: Final = 1000

T = TypeVar("T")

log = logging.getLogger("mqtt")

_encode = msgspec.json.Encoder().encode


class Publisher:
    """Hands records to a broker. `dropped` counts what it never got; `trouble` is empty while connected.

    `stop` is awaited with the name of who asked when a stop comes in.
    """

    def __init__(self, settings: MqttSection, stand: str, stop: Callable[[str], Awaitable[None]]) -> None:
        self.dropped = 0
        self.trouble = "not connected yet"
        self._settings, self._stop = settings, stop
        self._root = f"{settings.prefix}/{stand}"
        self._identifier = f"leverarm-{stand}"
        self._state: bytes | None = None
        self._state_due = False
        self._live: deque[bytes] = deque()
        self._kept: deque[tuple[str, bytes]] = deque()
        self._wake = asyncio.Event()

    def state(self, view: GuardView) -> None:
        """Publish the guard's view when it differs from the one before."""
        payload = _encode(view)
        if payload != self._state:
            self._state, self._state_due = payload, True
            self._wake.set()

    def live(self, live: Live) -> None:
        """Publish the live values."""
        simulated = live.guard is not None and live.guard.simulated
        payload = _encode(
            {
                "utc": live.utc,
                "values": live.values,
                "pull": live.pull,
                "recorded": live.recorded,
                "not_recorded_because": live.not_recorded_because,
                "simulated": simulated,
            }
        )
        self._push(self._live, payload, MOST_LIVE)

    def pull(self, pull: Pull) -> None:
        """Publish a stored pull."""
        self._push(self._kept, ("pull", _encode(msgspec.structs.replace(pull, curve=()))), MOST_KEPT)

    def trip(self, trip: Trip) -> None:
        """Publish a stored trip."""
        self._push(self._kept, ("trip", _encode(trip)), MOST_KEPT)

    async def run(self) -> None:
        """Keep connected, for ever; cancel it to say goodbye and end."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                async with self._client() as client:
                    wait_s = FIRST_WAIT_S
                    await self._converse(client)
            except aiomqtt.MqttError as error:
                self._complain(str(error))
            await asyncio.sleep(wait_s * random.uniform(0.8, 1.2))
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _push(self, queue: deque[T], item: T, most: int) -> None:
        """Queue, dropping the oldest when there are too many."""
        if len(queue) >= most:
            queue.popleft()
            self.dropped += 1
        queue.append(item)
        self._wake.set()

    def _complain(self, trouble: str) -> None:
        if trouble != self.trouble:
            log.warning("broker %s:%d: %s; trying again", self._settings.host, self._settings.port, trouble)
            self.trouble = trouble

    def _client(self) -> aiomqtt.Client:
        """Make a fresh client: one used again after a broken connection trips over its old socket."""
        return aiomqtt.Client(
            self._settings.host,
            self._settings.port,
            username=self._settings.user,
            password=self._settings.password,
            identifier=self._identifier,
            will=aiomqtt.Will(f"{self._root}/status", "offline", qos=1, retain=True),
            timeout=ANSWER_S,
            keepalive=KEEPALIVE_S,
        )

    async def _converse(self, client: aiomqtt.Client) -> None:
        """Greet, then send and listen until the connection breaks or we are cancelled."""
        await client.subscribe(f"{self._root}/cmd/stop", qos=1)
        await client.publish(f"{self._root}/status", "online", qos=1, retain=True)
        log.info("broker %s:%d: connected", self._settings.host, self._settings.port)
        self.trouble = ""
        self._forget_old()
        tasks = [
            asyncio.create_task(self._send(client), name="mqtt-send"),
            asyncio.create_task(self._listen(client), name="mqtt-listen"),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            await _end(tasks)
            await self._say_goodbye(client)
            raise
        await _end(tasks)
        done.pop().result()

    def _forget_old(self) -> None:
        """Live values from before the connection are no longer live; the state is always sent anew."""
        self.dropped += len(self._live)
        self._live.clear()
        self._state_due = self._state is not None
        self._wake.set()

    async def _say_goodbye(self, client: aiomqtt.Client) -> None:
        with suppress(aiomqtt.MqttError):
            await client.publish(f"{self._root}/status", "offline", qos=1, retain=True, timeout=FAREWELL_S)

    async def _send(self, client: aiomqtt.Client) -> None:
        """Send what is queued; pulls and trips leave the queue only when the broker has them."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            if self._state_due:
                self._state_due = False
                await client.publish(f"{self._root}/state", self._state, qos=1, retain=True)
            while self._kept:
                await self._send_kept(client, *self._kept[0])
            while self._live:
                await client.publish(f"{self._root}/live", self._live.popleft())

    async def _send_kept(self, client: aiomqtt.Client, name: str, payload: bytes) -> None:
        await client.publish(f"{self._root}/{name}", payload, qos=1)
        if self._kept and self._kept[0] == (name, payload):
            self._kept.popleft()

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Pass stops on; a retained one is from another time."""
        async for message in client.messages:
            if message.retain:
                log.warning("a retained stop on %s is ignored", message.topic)
                continue
            try:
                await self._stop("mqtt")
            except LeverarmError as error:
                log.error("a stop came in, but: %s", error)


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
