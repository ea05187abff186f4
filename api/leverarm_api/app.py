"""The application: put together here, served here.

If it burns, nothing else notices: guard and recorder neither wait for it nor know it.
"""

import asyncio
import contextlib
import logging
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

import msgspec
from aiohttp import web

from leverarm_api import access
from leverarm_api.keys import ALLOWED_HOSTS, LIVE, OPEN_STORE, STAND, STOPPER, TOKEN_SHA256, WORKER
from leverarm_api.live import LiveHub
from leverarm_api.problems import problems
from leverarm_api.routes import ROUTES
from leverarm_api.stop import Stopper
from leverarm_api.work import Worker
from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.store.reader import Reader

SHUTDOWN_S: Final = 1.0


def make_app(stand: StandFile, token_sha256: str) -> web.Application:
    """Make the application for a stand; the token is checked against its SHA-256."""
    app = web.Application(middlewares=(problems, access.access), client_max_size=access.BODY_LIMIT)
    app[STAND] = stand
    app[TOKEN_SHA256] = token_sha256
    app[ALLOWED_HOSTS] = access.own_names(stand.api.host)
    app[OPEN_STORE] = lambda: Reader(stand.store)
    app.cleanup_ctx.extend((_live, _worker, _stopper))
    app.on_shutdown.append(_end_streams)
    app.on_response_prepare.append(access.add_security_headers)
    for route in ROUTES:
        app.router.add_route(route.method, route.path, route.handle, expect_handler=_expect)
    return app


async def _live(app: web.Application) -> AsyncIterator[None]:
    """Follow the recorder while the application lives."""
    app[LIVE] = LiveHub(app[STAND].recorder_sock, app[STAND].guard_sock)
    app[LIVE].start()
    yield
    await app[LIVE].close()


async def _worker(app: web.Application) -> AsyncIterator[None]:
    """Have a worker process at hand; it starts when first needed."""
    app[WORKER] = Worker()
    yield
    await app[WORKER].close()


async def _stopper(app: web.Application) -> AsyncIterator[None]:
    """Pass stops on, to the last."""
    app[STOPPER] = Stopper(app[STAND].guard_sock)
    yield
    await app[STOPPER].close()


async def _end_streams(app: web.Application) -> None:
    app[LIVE].end_streams()


async def _expect(request: web.Request) -> None:
    """Answer `Expect: 100-continue`; whatever else is expected is no ground for a refusal (least of all of a stop)."""
    if request.headers.get("Expect", "").lower() == "100-continue":
        await request.writer.write(b"HTTP/1.1 100 Continue\r\n\r\n")
        request.writer.output_size = 0


# --- serving -------------------------------------------------------------------------------------


class Address(msgspec.Struct, frozen=True):
    """What api.json tells: where this server listens."""

    url: str


def _url(stand: StandFile, port: int) -> str:
    """Give the address for this machine's own use."""
    host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(stand.api.host, stand.api.host)  # noqa: S104
    return f"http://{f'[{host}]' if ':' in host and '[' not in host else host}:{port}"


def _tell_address(path: Path, url: str) -> None:
    """Write api.json in one step, so that nobody reads half of it."""
    half = path.with_suffix(".new")
    half.write_bytes(msgspec.json.encode(Address(url)))
    half.replace(path)


def _port_before(path: Path) -> int:
    """Give the port in an api.json that was left behind, so that open pages find the way back; 0 without one."""
    try:
        return urlsplit(msgspec.json.decode(path.read_bytes(), type=Address).url).port or 0
    except (OSError, ValueError, msgspec.MsgspecError):
        return 0


@contextlib.asynccontextmanager
async def served(stand: StandFile, token_sha256: str) -> AsyncIterator[str]:
    """Serve while inside, at the address given; api.json tells it to others meanwhile."""
    runner = web.AppRunner(make_app(stand, token_sha256), access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    try:
        await _listen(runner, stand)
        url = _url(stand, runner.addresses[0][1])
        _tell_address(stand.api_url, url)
        yield url
    finally:
        stand.api_url.unlink(missing_ok=True)
        await runner.cleanup()


async def _listen(runner: web.AppRunner, stand: StandFile) -> None:
    """Listen where the stand file says, and nowhere else; any free port is first that of a killed server before us."""
    if stand.api.port == 0 and (port := _port_before(stand.api_url)):
        with contextlib.suppress(OSError):
            await web.TCPSite(runner, stand.api.host, port).start()
            return
    try:
        await web.TCPSite(runner, stand.api.host, stand.api.port).start()
    except OSError as error:
        where = f"{stand.api.host}:{stand.api.port}"
        raise RefuseToStart(f"cannot listen on {where} ({error.strerror}). Change host or port under [api].") from error


async def _serve_until_told(stand: StandFile) -> None:
    told = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, told.set)
    token_sha256, new_token = access.load_or_make_token(stand.token)
    async with served(stand, token_sha256) as url:
        if new_token:
            _say(f"token: {new_token}")
        _say(f"listening: {url}")
        await told.wait()


def _say(line: str) -> None:
    """Tell whoever started this; at once, since it may be a pipe."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(arguments: list[str]) -> int:
    """Serve the stand of a stand file until SIGTERM; gives the exit code, 2 when it refuses to start."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m leverarm_api FILE   (FILE: the stand file)\n")
        return 2
    logging.basicConfig(level=logging.INFO, format="api: %(levelname)s %(message)s")
    try:
        asyncio.run(_serve_until_told(load_stand_file(Path(arguments[0]))))
    except RefuseToStart as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0
