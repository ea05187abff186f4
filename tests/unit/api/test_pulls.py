"""Pulls and trips."""

from collections.abc import AsyncIterator
from pathlib import Path

import msgspec
import pytest

from leverarm_api.routes.pulls import Pulls, Trips
from leverarm_daemon.ipc.messages import Keep, No
from leverarm_daemon.records import Pull, Trip
from support.api import PULLS, TRIPS, Bench, bench, make_store, problem, stand_file


@pytest.fixture
async def stored(tmp_path: Path) -> AsyncIterator[Bench]:
    make_store(stand_file(tmp_path).store)
    async with bench(tmp_path) as made:
        yield made


async def ids(stored: Bench, query: str) -> list[int]:
    response = await stored.client.get(f"/v1/pulls{query}")
    assert response.status == 200
    return [pull.id for pull in msgspec.json.decode(await response.read(), type=Pulls).pulls]


async def test_pulls_newest_first(stored: Bench) -> None:
    assert await ids(stored, "") == [7, 6, 5, 4, 3, 2, 1]
    assert await ids(stored, "?build=foam") == [6, 3, 2]
    assert await ids(stored, "?build=paper&limit=2") == [7, 5]


async def test_pulls_of_a_build_that_nobody_knows_are_no_empty_list(stored: Bench) -> None:
    told = await problem(await stored.client.get("/v1/pulls?build=wool"), "unknown-build")
    assert told.allowed == ("paper", "foam")


async def test_a_build_of_the_stand_file_without_pulls_has_none(tmp_path: Path) -> None:
    make_store(stand_file(tmp_path).store, pulls=())
    async with bench(tmp_path) as made:
        assert await ids(made, "?build=foam") == []


@pytest.mark.parametrize("query", ["limit=0", "limit=1001", "limit=many", "limt=5", "limit=-1"])
async def test_a_wrong_query_is_told(stored: Bench, query: str) -> None:
    told = await problem(await stored.client.get(f"/v1/pulls?{query}"), "not-valid")
    assert query.partition("=")[0] in told.detail


async def test_one_pull_with_its_curve(stored: Bench) -> None:
    response = await stored.client.get("/v1/pulls/2")
    assert msgspec.json.decode(await response.read(), type=Pull) == PULLS[1]


@pytest.mark.parametrize("number", ["8", "0", "x", "-1", "1.5", "9" * 30, "²"])
async def test_an_unknown_pull(stored: Bench, number: str) -> None:
    await problem(await stored.client.get(f"/v1/pulls/{number}"), "unknown-pull")


async def test_trips(stored: Bench) -> None:
    listed = msgspec.json.decode(await (await stored.client.get("/v1/trips")).read(), type=Trips)
    assert listed.trips == TRIPS
    assert msgspec.json.decode(await (await stored.client.get("/v1/trips/1")).read(), type=Trip) == TRIPS[0]
    await problem(await stored.client.get("/v1/trips/2"), "unknown-trip")


async def test_before_the_recorder_has_made_the_store(stand: Bench) -> None:
    for path in ("/v1/pulls", "/v1/pulls/1", "/v1/trips"):
        await problem(await stand.client.get(path), "store-unreadable")


# --- keep ----------------------------------------------------------------------------------------


async def test_keep_is_passed_to_the_recorder(stored: Bench) -> None:
    response = await stored.post("/v1/pulls/7/keep", {"kept": True, "why": "it was whole"})
    assert await response.json() == {"pull": 7, "kept": True, "why": "it was whole"}
    assert stored.recorder.kept == [Keep(7, True, "REST from 127.0.0.1", "it was whole")]


async def test_keep_needs_a_reason(stored: Bench) -> None:
    told = await problem(await stored.post("/v1/pulls/7/keep", {"kept": True, "why": ""}), "not-valid")
    assert "why" in told.detail


async def test_keep_of_an_unknown_pull(stored: Bench) -> None:
    await problem(await stored.post("/v1/pulls/99/keep", {"kept": True, "why": "x"}), "unknown-pull")
    assert stored.recorder.kept == []


async def test_keep_that_the_recorder_refuses(stored: Bench) -> None:
    stored.recorder.keep_answer = No("refused", ("the disk is full",))
    told = await problem(await stored.post("/v1/pulls/7/keep", {"kept": True, "why": "x"}), "refused")
    assert told.reasons == ("the disk is full",)


async def test_keep_without_a_recorder(tmp_path: Path) -> None:
    make_store(stand_file(tmp_path).store)
    async with bench(tmp_path, recorder=False) as made:
        await problem(await made.post("/v1/pulls/7/keep", {"kept": True, "why": "x"}), "recorder-gone")
