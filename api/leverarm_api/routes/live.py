"""The live stream."""

import asyncio
import socket
from typing import Final

from aiohttp import web

from leverarm_api.keys import LIVE
from leverarm_api.live import MOST_CLIENTS, Client
from leverarm_api.problems import ApiProblem
from leverarm_api.routing import Route
from leverarm_daemon.records import Live

NOT_READING_S: Final = 10.0
"""A client that takes nothing for so long is let go."""

UNSENT_BYTES: Final = 64 * 1024


async def live(request: web.Request) -> web.StreamResponse:
    """Stream the live picture until the client or the server ends it."""
    hub = request.app[LIVE]
    if hub.full:
        raise ApiProblem("too-many-streams", f"{MOST_CLIENTS} are open")
    response = web.StreamResponse(headers={"Content-Type": "text/event-stream", "X-Accel-Buffering": "no"})
    with hub.listen() as client:
        _keep_short(request.transport)
        await response.prepare(request)
        await _pour(client, response, request)
    return response


def _keep_short(transport: asyncio.Transport | None) -> None:
    """Let the kernel hold little for this client: what waits there is old by the time it is read."""
    if transport is not None:
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, UNSENT_BYTES)


async def _pour(client: Client, response: web.StreamResponse, request: web.Request) -> None:
    """Write chunks as they come, until the client leaves; lets go of one that does not read."""
    try:
        async for chunk in client.chunks():
            async with asyncio.timeout(NOT_READING_S):
                await response.write(chunk)
    except ConnectionError:
        pass                                    # it left, as every client does in the end
    except TimeoutError:
        if request.transport is not None:
            request.transport.abort()


ROUTES: Final = (
    Route(
        "GET", "/v1/live", live,
        "The live picture as server-sent events named `live`, 20 a second; a comment every 5 s keeps the way open. "
        "When the recorder is silent, the picture holds the guard's state and no values.",
        reply=Live, problems=("too-many-streams",), media="text/event-stream",
    ),
)
