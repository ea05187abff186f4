"""The live stream."""

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest
from aiohttp import ClientResponse

from leverarm_api import live as hub_module
from leverarm_api.keys import LIVE
from leverarm_api.live import BOTH_GONE, END, QUEUE_LENGTH, RECORDER_GONE, Client
from leverarm_daemon.records import Live
from support.api import Bench, bench, problem
from support.fakes import live, view


@asynccontextmanager
async def stream(made: Bench) -> AsyncIterator[ClientResponse]:
    async with made.client.get("/v1/live") as response:
        assert (response.status, response.content_type) == (200, "text/event-stream")
        yield response


async def next_event(response: ClientResponse) -> dict[str, str]:
    """Give the fields of the next event; comments are passed over."""
    fields: dict[str, str] = {}
    async with asyncio.timeout(5):
        while line := (await response.content.readline()).decode():
            name, _, value = line.rstrip("\n").partition(": ")
            if name:
                fields[name] = value
            elif line == "\n" and fields:
                return fields
    raise AssertionError("the stream ended")


async def picture_when(response: ClientResponse, wanted: Any) -> Live:
    """Give the first picture for which `wanted` holds."""
    while True:
        fields = await next_event(response)
        if "data" in fields and wanted(found := msgspec.json.decode(fields["data"], type=Live)):
            return found


async def test_pictures_arrive_named_and_numbered(stand: Bench) -> None:
    async with stream(stand) as response:
        events = [await next_event(response) for _ in range(5)]
    numbers = [int(event["id"]) for event in events if event.get("event") == "live"]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert msgspec.json.decode(events[-1]["data"], type=Live) == stand.recorder.picture


async def test_all_clients_share_one_stream_from_the_recorder(stand: Bench) -> None:
    async with stream(stand) as a, stream(stand) as b:
        await asyncio.gather(*(picture_when(one, lambda found: found.values) for one in (a, b)))
        assert stand.recorder.watchers == 1
        assert (await (await stand.client.get("/v1/state")).json())["streams"] == 2


async def test_no_more_than_twenty_a_second_however_fast_the_recorder_sends(stand: Bench) -> None:
    stand.recorder.period_s = 0.005
    async with stream(stand) as response:
        await picture_when(response, lambda found: found.values)
        began_s = time.monotonic()
        for _ in range(10):
            await picture_when(response, lambda found: True)
        assert time.monotonic() - began_s > 9 * 0.05 * 0.9


async def test_a_picture_is_written_once_for_all(stand: Bench) -> None:
    hub = stand.client.app[LIVE]
    with hub.listen() as a, hub.listen() as b:
        await asyncio.sleep(0.3)
        chunks = [await anext(client.chunks()) for client in (a, b)]
        assert chunks[0] is chunks[1]


async def test_a_recorder_that_is_gone_is_told_within_half_a_second_and_comes_back(tmp_path: Path) -> None:
    async with bench(tmp_path, recorder=False) as made:
        made.guard.view = view(state="held")
        async with stream(made) as response:
            async with made.recorder.listening(made.stand.recorder_sock):
                await picture_when(response, lambda found: found.recorded)
                gone_s = time.monotonic()
            found = await picture_when(response, lambda found: not found.recorded)
            assert time.monotonic() - gone_s < 0.5
            assert (found.not_recorded_because, found.values, found.guard) == (RECORDER_GONE, {}, made.guard.view)
            async with made.recorder.listening(made.stand.recorder_sock):
                assert (await picture_when(response, lambda found: found.recorded)).values


async def test_a_recorder_that_hangs_is_told_within_half_a_second(stand: Bench) -> None:
    async with stream(stand) as response:
        await picture_when(response, lambda found: found.recorded)
        stand.recorder.sending, hung_s = False, time.monotonic()
        found = await picture_when(response, lambda found: not found.recorded)
        assert time.monotonic() - hung_s < 0.5
        assert found.age_ms > stand.recorder.picture.age_ms
        stand.recorder.sending = True
        await picture_when(response, lambda found: found.recorded)


async def test_both_gone(tmp_path: Path) -> None:
    async with bench(tmp_path, recorder=False, guard=False) as made, stream(made) as response:
        found = await picture_when(response, lambda found: True)
        assert (found.guard, found.not_recorded_because) == (None, BOTH_GONE)


async def test_a_silent_guard_does_not_hold_up_the_stream(tmp_path: Path) -> None:
    async with bench(tmp_path, recorder=False) as made, stream(made) as response:
        made.guard.silent = True
        found = await picture_when(response, lambda found: found.guard is None)
        assert found.not_recorded_because == BOTH_GONE


async def test_a_frozen_guards_last_word_is_not_passed_on_for_ever(stand: Bench) -> None:
    async with stream(stand) as response:
        assert (await picture_when(response, lambda found: found.recorded)).guard == stand.recorder.picture.guard
        stand.guard.silent, old_s = True, time.monotonic()
        stand.recorder.picture = msgspec.structs.replace(stand.recorder.picture, age_ms=400)
        found = await picture_when(response, lambda found: found.guard is None)
        assert time.monotonic() - old_s < 0.6
        assert found.values == stand.recorder.picture.values
        stand.guard.silent = False
        assert (await picture_when(response, lambda found: found.guard is not None)).guard == stand.guard.view


async def test_state_tells_the_age_of_the_live_picture(stand: Bench) -> None:
    await asyncio.sleep(0.3)
    state = await (await stand.client.get("/v1/state")).json()
    assert 12 <= state["live_age_ms"] < 300
    assert (state["guard"]["state"], state["recorder"]) == ("held", True)
    stand.recorder.sending = False
    await asyncio.sleep(0.5)
    state = await (await stand.client.get("/v1/state")).json()
    assert state["live_age_ms"] > 400
    assert (state["recorder"], state["guard"]["recorder"]) == (False, False)


async def test_state_without_a_guard(tmp_path: Path) -> None:
    async with bench(tmp_path, guard=False) as made:
        await problem(await made.client.get("/v1/state"), "guard-gone")


# --- clients that do not read --------------------------------------------------------------------


async def test_a_queue_drops_the_oldest_and_counts() -> None:
    client = Client()
    for number in range(QUEUE_LENGTH + 3):
        client.put(b"%d" % number)
    client.put(END)
    assert client.dropped == 4
    assert [chunk async for chunk in client.chunks()] == [b"%d" % number for number in range(4, QUEUE_LENGTH + 3)]


async def until(wanted: Callable[[], bool]) -> None:
    """Wait until something is so; a few seconds at most."""
    async with asyncio.timeout(8):
        while not wanted():  # noqa: ASYNC110 (nobody tells when a connection has been let go)
            await asyncio.sleep(0.02)


async def test_a_client_that_does_not_read_costs_little_and_holds_up_nobody(
    stand: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("leverarm_api.routes.live.NOT_READING_S", 1.5)
    stand.recorder.picture = live(curve=tuple((float(n), 1.0, 1.0) for n in range(9000)))
    hub, url = stand.client.app[LIVE], stand.client.make_url("/v1/live")
    with socket.socket() as sleeper:
        sleeper.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sleeper.connect((url.host, url.port))
        sleeper.sendall(b"GET /v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        await until(lambda: hub.streams == 1)
        (client,) = hub._clients
        async with stream(stand) as response:
            for _ in range(20):
                await picture_when(response, lambda found: found.values)
        assert client.dropped > 0
        assert client._queue.qsize() <= QUEUE_LENGTH
        await until(lambda: hub.streams == 0)
    await asyncio.sleep(0.1)
    assert caplog.records == []


async def test_too_many_streams(stand: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub_module, "MOST_CLIENTS", 1)
    async with stream(stand):
        await problem(await stand.client.get("/v1/live"), "too-many-streams")


async def test_pings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(hub_module, "PING_S", 0.1)
    hub = hub_module.LiveHub(tmp_path / "none", tmp_path / "neither")
    hub.start()
    with hub.listen() as client:
        async with asyncio.timeout(2):
            async for chunk in client.chunks():
                if chunk == hub_module.PING:
                    break
    await hub.close()


async def test_streams_end_when_the_server_stops(stand: Bench) -> None:
    async with stream(stand) as response:
        await next_event(response)
        stopping = asyncio.ensure_future(stand.client.server.close())
        async with asyncio.timeout(3):
            while await response.content.readline():
                pass
        await stopping
