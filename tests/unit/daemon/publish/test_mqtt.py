"""A real broker gets everything in order; one that is dead, hung or absent costs nothing but its share."""

import asyncio
import json
import signal
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import aiomqtt
import msgspec
import pytest

from leverarm_daemon.config import MqttSection
from leverarm_daemon.errors import PeerGone
from leverarm_daemon.publish import mqtt
from leverarm_daemon.publish.mqtt import Publisher
from support.broker import broker, free_port
from support.samples import LIVE, VIEW, pull, trip

WAIT_S = 5.0


@asynccontextmanager
async def publishing(port: int, stop: Callable[[str], Awaitable[None]] | None = None) -> AsyncIterator[Publisher]:
    async def ignore(who: str) -> None: ...

    publisher = Publisher(MqttSection("127.0.0.1", port), "stand-1", stop or ignore)
    task = asyncio.create_task(publisher.run(), name="publisher")
    try:
        yield publisher
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def connected(publisher: Publisher) -> None:
    async with asyncio.timeout(WAIT_S):
        while publisher.trouble:  # noqa: ASYNC110 (what is waited for sets no event)
            await asyncio.sleep(0.01)


@asynccontextmanager
async def listening(port: int) -> AsyncIterator["Ear"]:
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("leverarm/stand-1/#", qos=1)
        yield Ear(client)


class Ear:
    """What a subscriber hears."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client

    async def hear(self, topic: str) -> tuple[bytes, int, bool]:
        """Give payload, quality of service and the retained mark of the next message of a topic."""
        async with asyncio.timeout(WAIT_S):
            async for message in self.client.messages:
                if str(message.topic) == f"leverarm/stand-1/{topic}":
                    assert isinstance(message.payload, bytes)
                    return message.payload, message.qos, message.retain
        raise AssertionError("the broker left")


async def test_everything_arrives_as_promised(tmp_path: Path) -> None:
    with broker(tmp_path) as running:
        async with publishing(running.port) as publisher, listening(running.port) as ear:
            assert (await ear.hear("status"))[0] == b"online"
            publisher.state(VIEW)
            publisher.pull(pull(id=7))
            publisher.trip(trip(id=3))
            publisher.live(LIVE)
            state, found, trips, live = [await ear.hear(topic) for topic in ("state", "pull", "trip", "live")]
    assert json.loads(state[0])["state"] == "running"
    assert json.loads(found[0])["id"] == 7
    assert json.loads(found[0])["curve"] == []
    assert found[1] == trips[1] == 1
    assert json.loads(trips[0])["first_cause"] == "overspeed"
    assert live[1] == 0
    told = json.loads(live[0])
    assert told["values"]["head_c"] == {"value": None, "unit": "°C", "quality": "bad", "reason": "probe open"}
    assert told["simulated"] is True


async def test_who_comes_late_gets_status_and_state_and_nothing_else(tmp_path: Path) -> None:
    with broker(tmp_path) as running:
        async with publishing(running.port) as publisher:
            await connected(publisher)
            publisher.state(VIEW)
            publisher.pull(pull())
            publisher.live(LIVE)
            await asyncio.sleep(0.2)
            async with listening(running.port) as ear:
                heard = set()
                with suppress(TimeoutError):
                    async with asyncio.timeout(0.5):
                        async for message in ear.client.messages:
                            heard.add((str(message.topic).rpartition("/")[2], message.retain))
    assert heard == {("status", True), ("state", True)}


async def test_a_state_that_did_not_change_is_not_sent_again(tmp_path: Path) -> None:
    with broker(tmp_path) as running:
        async with publishing(running.port) as publisher, listening(running.port) as ear:
            await connected(publisher)
            for revision in (4, 4, 4, 5):
                publisher.state(msgspec.structs.replace(VIEW, revision=revision))
                await asyncio.sleep(0.05)
            heard = [json.loads((await ear.hear("state"))[0])["revision"] for _ in range(2)]
    assert heard == [4, 5]


async def test_goodbye_is_said_and_death_is_told_by_the_broker(tmp_path: Path) -> None:
    with broker(tmp_path) as running:
        async with publishing(running.port) as publisher:
            await connected(publisher)
        async with listening(running.port) as ear:
            assert await ear.hear("status") == (b"offline", 1, True)
        async with publishing(running.port) as publisher, listening(running.port) as ear:
            await connected(publisher)
            assert (await ear.hear("status"))[0] in (b"offline", b"online")
            will = publisher._client()._client
            assert (will._will_topic, will._will_payload, will._will_qos, will._will_retain) == (
                b"leverarm/stand-1/status", b"offline", 1, True,
            )  # fmt: skip


async def test_a_stop_is_passed_on_but_a_retained_one_is_not(tmp_path: Path) -> None:
    asked: list[str] = []

    async def stop(who: str) -> None:
        asked.append(who)
        if len(asked) == 1:
            raise PeerGone("guard.sock: gone")

    with broker(tmp_path) as running:
        async with aiomqtt.Client("127.0.0.1", running.port) as hand:
            await hand.publish("leverarm/stand-1/cmd/stop", "old", qos=1, retain=True)
            async with publishing(running.port, stop) as publisher:
                await connected(publisher)
                await asyncio.sleep(0.2)
                assert asked == []
                await hand.publish("leverarm/stand-1/cmd/stop", "", qos=1)
                await hand.publish("leverarm/stand-1/cmd/allow", "", qos=1)
                await hand.publish("leverarm/stand-1/cmd/stop", "now", qos=1)
                await asyncio.sleep(0.2)
    assert asked == ["mqtt", "mqtt"]


async def test_without_a_broker_queues_stay_bounded_and_drops_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "MOST_LIVE", 5)
    monkeypatch.setattr(mqtt, "MOST_KEPT", 3)
    async with publishing(free_port()) as publisher:
        for _ in range(12):
            publisher.live(LIVE)
        for number in range(4):
            publisher.pull(pull(id=number))
        await asyncio.sleep(0.1)
        assert publisher.dropped == 7 + 1
        assert "refused" in publisher.trouble


async def test_a_broker_that_comes_back_gets_the_pulls_it_missed_and_the_present_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "FIRST_WAIT_S", 0.05)
    port = free_port()
    async with publishing(port) as publisher:
        with broker(tmp_path, port):
            await connected(publisher)
        publisher.state(VIEW)
        for number in range(1, 4):
            publisher.pull(pull(id=number))
            publisher.live(LIVE)
        with broker(tmp_path, port):
            async with listening(port) as ear:
                heard = [json.loads((await ear.hear("pull"))[0])["id"] for _ in range(3)]
            async with listening(port) as ear:
                assert json.loads((await ear.hear("state"))[0])["state"] == "running"
    assert heard == [1, 2, 3]
    assert publisher.dropped == 3


async def test_a_hung_broker_holds_nobody_up_and_loses_no_pull(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "FIRST_WAIT_S", 0.05)
    monkeypatch.setattr(mqtt, "ANSWER_S", 0.3)
    with broker(tmp_path) as running:
        async with publishing(running.port) as publisher:
            await connected(publisher)
            running.process.send_signal(signal.SIGSTOP)
            started = time.monotonic()
            publisher.pull(pull(id=9))
            for _ in range(1000):
                publisher.live(LIVE)
            assert time.monotonic() - started < 0.5
            await asyncio.sleep(1.0)
            assert publisher.trouble
            running.process.send_signal(signal.SIGCONT)
            async with listening(running.port) as ear:
                publisher.pull(pull(id=10))
                heard = {json.loads((await ear.hear("pull"))[0])["id"] for _ in range(2)}
    assert heard == {9, 10}
