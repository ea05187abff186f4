"""Groups and comparison, by the worker process."""

import os
import signal
from collections.abc import AsyncIterator
from pathlib import Path

import msgspec
import pytest

from leverarm_api.keys import WORKER
from leverarm_api.routes.compare import Comparisons
from leverarm_api.work import Grouped
from leverarm_daemon.analysis import compare
from leverarm_daemon.records import Pull
from support.api import PULLS, Bench, bench, make_store, problem, stand_file


@pytest.fixture
async def stored(tmp_path: Path) -> AsyncIterator[Bench]:
    make_store(stand_file(tmp_path).store)
    async with bench(tmp_path) as made:
        yield made


def kept(build: str) -> list[Pull]:
    return [pull for pull in reversed(PULLS) if pull.build == build and pull.kept]


async def test_groups_and_comparison_are_those_of_the_analysis(stored: Bench) -> None:
    groups = msgspec.json.decode(await (await stored.client.get("/v1/groups")).read(), type=Grouped)
    assert groups.groups == tuple(compare.group(build, kept(build)) for build in ("paper", "foam")), "by first pull"
    response = await stored.client.get("/v1/compare?a=paper&b=foam")
    found = msgspec.json.decode(await response.read(), type=Comparisons).comparisons
    assert [one.quantity for one in found] == ["torque_nm", "power_kw"]
    assert found == tuple(compare.compare(kept("paper"), kept("foam"), one.quantity) for one in found)
    assert found[0].verdict == "lower"


async def test_the_sentence_is_told_in_hp_when_asked_for_and_the_numbers_stay(stored: Bench) -> None:
    told = {}
    for units in ("si", "trade"):
        response = await stored.client.get(f"/v1/compare?a=paper&b=foam&units={units}")
        told[units] = msgspec.json.decode(await response.read(), type=Comparisons).comparisons
    assert "4.23 against 4.53 kW" in told["si"][1].sentence
    assert "5.67 against 6.07 hp" in told["trade"][1].sentence
    assert "10.40 against 11.14 lb·ft" in told["trade"][0].sentence
    assert [msgspec.structs.replace(one, sentence="") for one in told["si"]] == [
        msgspec.structs.replace(one, sentence="") for one in told["trade"]
    ]


async def test_every_kept_pull_counts_however_many(tmp_path: Path) -> None:
    many = tuple(msgspec.structs.replace(PULLS[number % 6], id=number + 1) for number in range(1200))
    make_store(stand_file(tmp_path).store, many)
    async with bench(tmp_path) as made:
        groups = msgspec.json.decode(await (await made.client.get("/v1/groups")).read(), type=Grouped).groups
        assert [group.torque_nm.n for group in groups] == [600, 600]
        response = await made.client.get("/v1/compare?a=paper&b=foam")
        found = msgspec.json.decode(await response.read(), type=Comparisons).comparisons
        assert {(one.n_a, one.n_b) for one in found} == {(600, 600)}


@pytest.mark.parametrize(
    ("query", "kind"),
    [
        ("a=paper", "not-valid"), ("a=paper&b=paper", "not-valid"), ("a=paper&b=foam&c=x", "not-valid"),
        ("a=paper&b=foam&units=cubits", "not-valid"),
        ("a=paper&b=wool", "unknown-build"),
    ],
)
async def test_what_cannot_be_compared(stored: Bench, query: str, kind: str) -> None:
    told = await problem(await stored.client.get(f"/v1/compare?{query}"), kind)
    assert told.allowed == (("paper", "foam") if kind == "unknown-build" else ())


async def test_too_few_pulls_are_told_with_the_reason(tmp_path: Path) -> None:
    make_store(stand_file(tmp_path).store, PULLS[:3])
    async with bench(tmp_path) as made:
        told = await problem(await made.client.get("/v1/compare?a=paper&b=foam"), "not-comparable")
        assert told.reasons


async def test_without_a_store(stand: Bench) -> None:
    await problem(await stand.client.get("/v1/groups"), "store-unreadable")


async def test_a_worker_that_died_is_told_and_replaced(stored: Bench) -> None:
    pid = await stored.client.app[WORKER].run(os.getpid)
    assert pid != os.getpid()
    await problem(await stored.client.get("/v1/compare?a=paper&b=x"), "unknown-build")
    os.kill(pid, signal.SIGKILL)
    responses = [await stored.client.get("/v1/groups") for _ in range(2)]
    assert responses[-1].status == 200
    if responses[0].status != 200:
        await problem(responses[0], "analysis-failed")
