"""The shape of a route, and the two ways into its data: checked bodies and checked queries."""

from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

import msgspec
from aiohttp import web

from leverarm_api.problems import ApiProblem
from leverarm_daemon.records import Record

T = TypeVar("T")

Handle = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Route(msgspec.Struct, frozen=True):
    """One route: what it does, what it takes, what it gives, and its own problems by their kinds.

    The OpenAPI document is built from these; problems that follow from access or from a body are added there.
    """

    method: str
    path: str
    handle: Handle
    summary: str
    reply: Any = None
    body: type[Record] | None = None
    query: type[Record] | None = None
    problems: tuple[str, ...] = ()
    media: str = "application/json"

    @property
    def name(self) -> str:
        """Give the name that the access table uses."""
        return f"{self.method} {self.path}"


def reply(record: Record) -> web.Response:
    """Answer with a record in JSON."""
    return web.Response(body=msgspec.json.encode(record), content_type="application/json")


async def body_of(request: web.Request, shape: type[T]) -> T:
    """Read the JSON body as `shape`; raises the problem that names the field."""
    if request.content_type != "application/json":
        raise ApiProblem("not-json", f"Content-Type is {request.content_type}")
    try:
        return msgspec.json.decode(await request.read(), type=shape)
    except msgspec.ValidationError as error:
        raise ApiProblem("not-valid", f"body: {error}") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise ApiProblem("bad-json", f"body: {error}") from error


def query_of(request: web.Request, shape: type[T]) -> T:
    """Read the query as `shape`, numbers from their text; raises the problem that names the parameter."""
    try:
        return msgspec.convert(dict(request.query), shape, strict=False)
    except msgspec.ValidationError as error:
        raise ApiProblem("not-valid", f"query: {error}") from error


def number_in(request: web.Request, kind: str) -> int:
    """Read the id in the path; raises a problem of this kind when it is no number."""
    text = request.match_info["id"]
    if not (text.isascii() and text.isdigit() and len(text) <= 18):
        raise ApiProblem(kind, f"{text!r} is not a number")
    return int(text)
