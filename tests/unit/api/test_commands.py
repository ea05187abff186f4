"""Stop, allow, reset, select."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from leverarm_api.stop import Stopper
from leverarm_daemon.ipc.messages import Allow, Reset, Select, Stop
from support.api import BEARER, Bench, bench, problem
from support.fakes import FakeGuard, view

JSON = BEARER | {"Content-Type": "application/json"}


# --- stop ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        ({}, None),
        ({"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site"}, None),
        ({"Host": "evil.example"}, None),
        ({"Host": "[::1"}, None),
        ({"Authorization": "Bearer wrong"}, None),
        ({"Content-Type": "application/json"}, b"{not json"),
        ({"Content-Type": "text/plain"}, b"\x00\xff\xfe"),
        ({"Content-Encoding": "gzip"}, b"not gzip"),
        ({}, b"x" * 300_000),
        ({"Expect": "miracles"}, b"x"),
    ],
)
async def test_stop_is_for_anyone(stand: Bench, headers: dict[str, str], body: bytes | None) -> None:
    stand.guard.view = view(state="running")
    response = await stand.client.post("/v1/stop", headers=headers, data=body)
    assert (response.status, (await response.json())["state"]) == (200, "held")
    assert [type(request) for request in stand.guard.asked] == [Stop]


async def test_stop_again_changes_nothing(stand: Bench) -> None:
    stand.guard.view = view(state="running")
    first, second = [await (await stand.client.post("/v1/stop")).json() for _ in range(2)]
    assert first == second


async def test_two_hundred_stops_at_once_are_all_served_and_spare_the_guard(stand: Bench) -> None:
    stand.guard.view = view(state="running")
    stand.guard.delay_s = 0.05
    answers = await asyncio.gather(*(stand.client.post("/v1/stop") for _ in range(200)))
    assert [answer.status for answer in answers] == [200] * 200
    assert 1 <= len(stand.guard.asked) < 50


async def test_a_stop_never_rides_on_one_that_was_sent_before_it(stand: Bench) -> None:
    stand.guard.delay_s = 0.2
    first = asyncio.ensure_future(stand.client.post("/v1/stop"))
    while not stand.guard.asked:  # noqa: ASYNC110 (the fake only notes it down)
        await asyncio.sleep(0.005)
    await stand.client.post("/v1/stop")
    assert (await first).status == 200
    assert len(stand.guard.asked) == 2


async def test_every_stop_is_sent_though_its_asker_and_the_server_leave(tmp_path: Path) -> None:
    guard, stopper = FakeGuard(), Stopper(tmp_path / "guard.sock")
    guard.delay_s = 0.1
    async with guard.listening(tmp_path / "guard.sock"):
        for _ in range(2):
            asker = asyncio.create_task(stopper.stop("somebody"))
            await asyncio.sleep(0.03)
            asker.cancel()
        await stopper.close()
        assert guard.asked == [Stop("somebody")] * 2


async def test_stop_says_to_use_the_button_when_the_guard_is_gone(tmp_path: Path) -> None:
    async with bench(tmp_path, guard=False) as made:
        told = await problem(await made.client.post("/v1/stop"), "guard-gone")
        assert "use the stop button on the stand" in told.detail


async def test_stop_says_to_use_the_button_when_the_guard_is_silent(stand: Bench) -> None:
    stand.guard.silent = True
    await problem(await stand.client.post("/v1/stop"), "guard-gone")


# --- allow, reset, select ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "body", "sent"),
    [
        ("/v1/allow", {"revision": 7}, Allow("REST from 127.0.0.1", 7)),
        ("/v1/reset", {"revision": 7}, Reset("REST from 127.0.0.1", 7)),
    ],
)
async def test_what_is_asked_reaches_the_guard(stand: Bench, path: str, body: Any, sent: object) -> None:
    response = await stand.post(path, body)
    assert response.status == 200
    assert stand.guard.asked == [sent]


async def test_select_sends_the_build_of_the_stand_file(stand: Bench) -> None:
    response = await stand.post("/v1/select", {"revision": 7, "build": "foam"})
    assert (await response.json())["build"] == "foam"
    assert stand.guard.asked == [Select("REST from 127.0.0.1", 7, stand.stand.builds[1])]


async def test_an_unknown_build_is_told_with_the_known_ones(stand: Bench) -> None:
    told = await problem(await stand.post("/v1/select", {"revision": 7, "build": "wool"}), "unknown-build")
    assert told.allowed == ("paper", "foam")
    assert stand.guard.asked == []


@pytest.mark.parametrize("path", ["/v1/allow", "/v1/reset"])
async def test_a_stale_revision_is_refused(stand: Bench, path: str) -> None:
    told = await problem(await stand.post(path, {"revision": 6}), "stale-revision")
    assert "it is 7" in told.detail


async def test_reasons_against_a_start_are_listed(stand: Bench) -> None:
    stand.guard.view = view(why_not=("no build is selected", "the shield is open"))
    told = await problem(await stand.post("/v1/allow", {"revision": 7}), "refused")
    assert told.reasons == ("no build is selected", "the shield is open")


@pytest.mark.parametrize("body", [b"", b"{", b"\xff", b'{"revision": NaN}', b"nonsense"])
async def test_bad_json(stand: Bench, body: bytes) -> None:
    await problem(await stand.client.post("/v1/allow", data=body, headers=JSON), "bad-json")


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (b"{}", "revision"), (b'{"revision": "7"}', "revision"), (b'{"revision": -1}', "revision"),
        (b'{"revision": 7, "force": true}', "force"), (b"[7]", "object"), (b'{"revision": 1e400}', "revision"),
    ],
)
async def test_a_body_of_the_wrong_shape_names_the_field(stand: Bench, body: bytes, word: str) -> None:
    response = await stand.client.post("/v1/allow", data=body, headers=JSON)
    assert word in (await problem(response, "not-valid")).detail
    assert stand.guard.asked == []


async def test_a_body_must_be_sent_as_json(stand: Bench) -> None:
    headers = BEARER | {"Content-Type": "text/plain"}
    await problem(await stand.client.post("/v1/allow", data=b'{"revision": 7}', headers=headers), "not-json")


async def test_allow_when_the_guard_is_gone(tmp_path: Path) -> None:
    async with bench(tmp_path, guard=False) as made:
        await problem(await made.post("/v1/allow", {"revision": 7}), "guard-gone")
