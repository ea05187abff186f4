"""The page and its parts: read once, served from memory."""

from importlib import resources
from typing import Final

from aiohttp import web

from leverarm_api.problems import ApiProblem
from leverarm_api.routing import Route

_MEDIA: Final = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}


def _read_parts() -> dict[str, tuple[bytes, str]]:
    """Give every file of the page by its name: its bytes and media type."""
    files = (entry for entry in resources.files("leverarm_api").joinpath("page").iterdir() if entry.is_file())
    return {file.name: (file.read_bytes(), _MEDIA[file.name.rpartition(".")[2]]) for file in files}


PARTS: Final = _read_parts()


def _answer(name: str) -> web.Response:
    body, media = PARTS[name]
    return web.Response(body=body, content_type=media, charset="utf-8")


async def page(_request: web.Request) -> web.Response:
    """Give the page."""
    return _answer("index.html")


async def part(request: web.Request) -> web.Response:
    """Give a part of the page."""
    name = request.match_info["name"]
    if name not in PARTS:
        raise ApiProblem("no-such-route", f"the page has no part {name!r}")
    return _answer(name)


ROUTES: Final = (
    Route("GET", "/", page, "The page.", media="text/html"),
    Route("GET", "/page/{name}", part, "A part of the page.", problems=("no-such-route",), media="*/*"),
)
