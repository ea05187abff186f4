"""Errors, all of one shape."""

import sqlite3
from pathlib import Path

import pytest

from leverarm_api.problems import KINDS
from leverarm_daemon.store.reader import Reader
from support.api import Bench, bench, problem


@pytest.mark.parametrize(
    "path", ["/nothing", "/v1", "/v1/", "/v1/pulls/1/raw", "/page/", "/page/../app.py", "/page/x.js"]
)
async def test_an_address_that_is_not_there(stand: Bench, path: str) -> None:
    await problem(await stand.client.get(path), "no-such-route")


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [("GET", "/v1/stop", "POST"), ("DELETE", "/v1/pulls/1", "GET"), ("POST", "/v1/state", "GET"), ("PUT", "/", "GET")],
)
async def test_a_method_that_is_not_taken(stand: Bench, method: str, path: str, allowed: str) -> None:
    response = await stand.client.request(method, path)
    told = await problem(response, "wrong-method")
    assert response.headers["Allow"] == allowed
    assert told.allowed == (allowed,)
    assert stand.guard.asked == []


async def test_a_mistake_of_ours_is_told_without_its_inside(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def fail() -> Reader:
        raise ZeroDivisionError("secret")

    async with bench(tmp_path, open_store=fail) as made:
        told = await problem(await made.client.get("/v1/pulls"), "broken")
    assert "secret" not in told.detail
    assert "secret" in caplog.text


async def test_a_store_that_cannot_be_read(tmp_path: Path) -> None:
    def fail() -> Reader:
        raise sqlite3.OperationalError("disk I/O error")

    async with bench(tmp_path, open_store=fail) as made:
        told = await problem(await made.client.get("/v1/pulls"), "store-unreadable")
    assert "disk I/O error" in told.detail


async def test_the_type_of_a_problem_leads_to_its_description(stand: Bench) -> None:
    told = await problem(await stand.client.get("/nothing"), "no-such-route")
    address, _, pointer = told.type.partition("#")
    document = await (await stand.client.get(address)).json()
    for step in pointer.strip("/").split("/"):
        document = document[step]
    assert document["title"] == told.title
    assert document["status"] == told.status


def test_every_kind_is_an_error_with_advice() -> None:
    assert all(400 <= kind.status < 600 and kind.advice.endswith(".") for kind in KINDS.values())
