"""Who may do what."""

import json
from pathlib import Path

import pytest

from leverarm_api.access import BODY_LIMIT, WHO_MAY, May, digest, load_or_make_token, own_names
from leverarm_api.routes import ROUTES
from leverarm_daemon.errors import RefuseToStart
from support.api import BEARER, TOKEN, Bench, problem

HELD_BY_TOKEN = [
    ("/v1/allow", {"revision": 7}),
    ("/v1/reset", {"revision": 7}),
    ("/v1/select", {"revision": 7, "build": "foam"}),
    ("/v1/pulls/1/keep", {"kept": False, "why": "wind"}),
]


def test_every_route_has_its_rule_and_every_rule_its_route() -> None:
    assert set(WHO_MAY) == {route.name for route in ROUTES}


def test_nothing_but_stop_changes_anything_without_the_token() -> None:
    unsafe = {name: may for name, may in WHO_MAY.items() if not name.startswith("GET ")}
    assert unsafe.pop("POST /v1/stop") is May.ANYONE_ALWAYS
    assert set(unsafe.values()) == {May.HOLDER}
    assert list(WHO_MAY.values()).count(May.ANYONE_ALWAYS) == 1


@pytest.mark.parametrize(("path", "body"), HELD_BY_TOKEN)
@pytest.mark.parametrize(
    ("authorization", "kind"),
    [
        (None, "no-token"), (f"Basic {TOKEN}", "no-token"), ("Bearer", "no-token"),
        ("Bearer wrong", "wrong-token"), (f"Bearer {digest(TOKEN)}", "wrong-token"),
    ],
)
async def test_no_token_or_a_wrong_one(
    stand: Bench, path: str, body: object, authorization: str | None, kind: str
) -> None:
    headers = {"Authorization": authorization} if authorization else {}
    response = await stand.client.post(path, json=body, headers=headers)
    await problem(response, kind)
    assert response.headers["WWW-Authenticate"] == "Bearer"
    assert stand.guard.asked == []
    assert stand.recorder.kept == []


async def test_a_token_can_be_tried_without_doing_anything(stand: Bench) -> None:
    assert await (await stand.client.get("/v1/access")).json() == {"may": "watch"}
    assert await (await stand.client.get("/v1/access", headers=BEARER)).json() == {"may": "operate"}
    await problem(await stand.client.get("/v1/access", headers={"Authorization": "Bearer wrong"}), "wrong-token")
    await problem(await stand.client.get("/v1/access", headers={"Authorization": "Basic x"}), "no-token")


@pytest.mark.parametrize(("path", "body"), HELD_BY_TOKEN)
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"}, {"Origin": "http://127.0.0.1:1"},
    ],
)
async def test_another_site_may_not_command_even_with_the_token(
    stand: Bench, path: str, body: object, headers: dict[str, str]
) -> None:
    await problem(await stand.client.post(path, json=body, headers=BEARER | headers), "wrong-origin")
    assert stand.guard.asked == []


async def test_the_own_page_may_command(stand: Bench) -> None:
    origin = str(stand.client.make_url("/")).rstrip("/")
    headers = BEARER | {"Origin": origin, "Sec-Fetch-Site": "same-origin"}
    response = await stand.client.post("/v1/allow", json={"revision": 7}, headers=headers)
    assert (response.status, (await response.json())["state"]) == (200, "start-allowed")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8750", "127.0.0.1.evil.example", "[::1", "a b"])
@pytest.mark.parametrize("path", ["/", "/v1/state", "/v1/pulls", "/v1/live", "/nothing"])
async def test_a_foreign_host_name_reads_nothing(stand: Bench, host: str, path: str) -> None:
    await problem(await stand.client.get(path, headers={"Host": host}), "wrong-host")


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost:99", "LOCALHOST", "[::1]:8750", "192.168.1.20:8750"])
async def test_own_names_and_bare_addresses_read(stand: Bench, host: str) -> None:
    assert (await stand.client.get("/v1/state", headers={"Host": host})).status == 200


def test_the_stand_files_host_is_an_own_name() -> None:
    assert {"bench.lan", "localhost"} <= own_names("Bench.lan")


async def test_every_answer_has_the_security_headers(stand: Bench) -> None:
    for path in ("/", "/v1/state", "/nothing", "/v1/pulls/1"):
        headers = (await stand.client.get(path)).headers
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "Access-Control-Allow-Origin" not in headers
        assert "aiohttp" not in headers["Server"]


async def test_an_oversized_body_is_refused(stand: Bench) -> None:
    body = json.dumps({"revision": 7}) + " " * BODY_LIMIT
    headers = BEARER | {"Content-Type": "application/json"}
    await problem(await stand.client.post("/v1/allow", data=body, headers=headers), "too-large")
    assert stand.guard.asked == []


# --- the token -----------------------------------------------------------------------------------


def test_the_token_is_made_once_and_only_its_hash_is_stored(tmp_path: Path) -> None:
    path = tmp_path / "made" / "token.json"
    stored, token = load_or_make_token(path)
    assert token is not None
    assert len(token) >= 32
    assert stored == digest(token)
    assert token not in path.read_text()
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_or_make_token(path) == (stored, None)


@pytest.mark.parametrize("text", ["", "[]", '{"token": "x"}'])
def test_a_spoilt_token_file_is_told_not_replaced(tmp_path: Path, text: str) -> None:
    path = tmp_path / "token.json"
    path.write_text(text)
    with pytest.raises(RefuseToStart, match=r"token\.json"):
        load_or_make_token(path)
    assert path.read_text() == text
