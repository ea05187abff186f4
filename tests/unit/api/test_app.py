"""The process: it starts, tells its address, and ends when told."""

import asyncio
import contextlib
import os
import re
import signal
import socket
import stat
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import msgspec
import pytest

from leverarm_api.access import digest
from leverarm_api.app import served
from leverarm_daemon.errors import RefuseToStart
from support.api import TOKEN, make_store, stand_file

EXAMPLE = Path(__file__).parents[3] / "deploy" / "stand.example.toml"


def written(folder: Path, port: str = "0") -> Path:
    """Write the example stand file for this folder and port."""
    text = re.sub(r"(?m)^state_dir = .*$", f'state_dir = "{folder}"', EXAMPLE.read_text())
    text, changed = re.subn(r"(?m)^#? ?port = 8750$", f"port = {port}", text)
    assert changed == 1
    path = folder / "stand.toml"
    path.write_text(text)
    return path


@contextlib.asynccontextmanager
async def process(path: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    """Run the API as people do."""
    run = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "leverarm_api", str(path),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )
    try:
        yield run
    finally:
        if run.returncode is None:
            run.kill()
        await run.communicate()


async def line_of(run: asyncio.subprocess.Process) -> str:
    assert run.stdout is not None
    async with asyncio.timeout(20):
        return (await run.stdout.readline()).decode().strip()


async def test_after_a_kill_it_listens_where_open_pages_look_for_it(tmp_path: Path) -> None:
    path = written(tmp_path)
    async with process(path) as run:
        await line_of(run)
        first = await line_of(run)
        async with aiohttp.ClientSession() as session, session.get(f"{first.split()[1]}/v1/stand"):
            run.kill()
            await run.wait()
    async with process(path) as run:
        assert await line_of(run) == first
        async with process(path) as another:                # the place is taken: any free port
            assert (await line_of(another)).startswith("listening: ")
            assert (tmp_path / "api.json").read_bytes().decode() not in first
    (tmp_path / "api.json").write_text("{ half")
    async with process(path) as run:
        assert (await line_of(run)).startswith("listening: ")


@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGINT])
async def test_it_starts_serves_and_ends_when_told_even_with_a_stream_open(tmp_path: Path, end: signal.Signals) -> None:
    path = written(tmp_path)
    async with process(path) as run:
        word, token = (await line_of(run)).split()
        told = (await line_of(run)).removeprefix("listening: ")
        assert word == "token:"
        assert msgspec.json.decode((tmp_path / "api.json").read_bytes()) == {"url": told}
        assert msgspec.json.decode((tmp_path / "token.json").read_bytes()) == {"sha256": digest(token)}
        async with aiohttp.ClientSession() as session, session.get(f"{told}/v1/live") as stream:
            assert stream.status == 200
            run.send_signal(end)
            async with asyncio.timeout(10):
                assert await run.wait() == 0
        assert run.stderr is not None
        assert await run.stderr.read() == b""
    assert not (tmp_path / "api.json").exists()
    assert stat.S_IMODE((tmp_path / "token.json").stat().st_mode) == 0o600


async def test_the_token_is_told_once(tmp_path: Path) -> None:
    path = written(tmp_path)
    (tmp_path / "token.json").write_text(f'{{"sha256": "{digest(TOKEN)}"}}')
    async with process(path) as run:
        assert (await line_of(run)).startswith("listening: http://127.0.0.1:")
        run.terminate()
        await run.wait()


async def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        async with process(written(tmp_path, port=str(port))) as run:
            _, errors = await run.communicate()
    assert run.returncode == 2
    assert f"127.0.0.1:{port}" in errors.decode()
    assert "[api]" in errors.decode()
    assert "Traceback" not in errors.decode()


async def test_a_wrong_stand_file_is_told(tmp_path: Path) -> None:
    async with process(written(tmp_path, port='"red"')) as run:
        _, errors = await run.communicate()
    assert run.returncode == 2
    assert "api.port" in errors.decode()
    assert "Traceback" not in errors.decode()


async def test_it_listens_only_where_the_stand_file_says(tmp_path: Path) -> None:
    async with served(stand_file(tmp_path), digest(TOKEN)) as url:
        port = int(url.rpartition(":")[2])
        with socket.socket() as other, pytest.raises(ConnectionRefusedError):
            other.connect(("127.0.0.2", port))
        async with aiohttp.ClientSession() as session, session.get(f"{url}/v1/builds") as response:
            assert response.status == 200


async def test_a_client_that_leaves_is_forgotten_without_a_word(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with served(stand_file(tmp_path), digest(TOKEN)) as url, aiohttp.ClientSession() as session:
        async with session.get(f"{url}/v1/live") as stream:
            await stream.content.readline()
        await asyncio.sleep(0.6)
    assert caplog.records == []


async def test_a_refusal_leaves_nothing_behind(tmp_path: Path) -> None:
    stand = stand_file(tmp_path)
    away = msgspec.structs.replace(stand, api=msgspec.structs.replace(stand.api, host="203.0.113.1"))
    with pytest.raises(RefuseToStart, match=r"203\.0\.113\.1"):
        async with served(away, digest(TOKEN)):
            pass
    assert not stand.api_url.exists()


def children(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def lives(pid: int) -> bool:
    """Tell whether a process is there, and not only waits for somebody to take note of its end."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


async def test_a_killed_server_leaves_no_process_behind(tmp_path: Path) -> None:
    make_store(stand_file(tmp_path).store)
    async with process(written(tmp_path)) as run:
        await line_of(run)
        url = (await line_of(run)).removeprefix("listening: ")
        async with aiohttp.ClientSession() as session, session.get(f"{url}/v1/groups") as response:
            assert response.status == 200
        started = children(run.pid)
        assert len(started) == 2, "the worker, and the one that tidies up after it"
        run.kill()
        until_s = time.monotonic() + 5
        while (left := [pid for pid in started if lives(pid)]) and time.monotonic() < until_s:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
        for pid in left:                    # they hold the pipes on which the fixture waits
            os.kill(pid, signal.SIGKILL)
        assert left == []
