"""Everything that can go wrong, as one table, told as problem documents (RFC 9457).

Handlers raise `ApiProblem`; the outermost middleware turns that, an unreadable store and aiohttp's errors
into one shape. The `type` of a problem points into the OpenAPI document, where its title and advice stand.
"""

import logging
import sqlite3
from collections.abc import Awaitable, Callable
from typing import Final

import msgspec
from aiohttp import web

from leverarm_daemon.errors import StoreError
from leverarm_daemon.records import Record

LOG = logging.getLogger(__name__)

MEDIA_TYPE: Final = "application/problem+json"

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Kind(Record):
    """A kind of problem: its HTTP status, a title that never changes, and what to do."""

    status: int
    title: str
    advice: str


class Problem(Record):
    """The document that is sent: RFC 9457's fields, `reasons` where there are several, `allowed` where it helps."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    reasons: tuple[str, ...] = ()
    allowed: tuple[str, ...] = ()


KINDS: Final[dict[str, Kind]] = {
    "no-such-route": Kind(404, "There is nothing at this address", "See /v1/openapi.json for what there is."),
    "wrong-method": Kind(405, "This address does not take that method", "Use a method named in the Allow header."),
    "bad-json": Kind(400, "The body is not JSON", "Send one JSON object."),
    "not-json": Kind(415, "The body must be sent as JSON", "Set Content-Type to application/json."),
    "not-valid": Kind(422, "The request is not as it should be", "Correct the field that `detail` names."),
    "too-large": Kind(413, "The body is too large", "Send at most 64 kB."),
    "wrong-host": Kind(421, "This stand does not answer to that host name", "Use its address, or its own name."),
    "wrong-origin": Kind(403, "Another site may not command this stand", "Use the stand's own page."),
    "no-token": Kind(401, "This needs the stand's token", "Send it as `Authorization: Bearer TOKEN`."),
    "wrong-token": Kind(401, "This token is not the stand's", "Use the one printed at the API's first start."),
    "stale-revision": Kind(409, "The stand has changed since you looked", "Look at the state again, then decide."),
    "refused": Kind(409, "The stand refuses this now", "See to the reasons, then ask again."),
    "unknown-build": Kind(404, "There is no such build", "Use a name from the stand file."),
    "unknown-pull": Kind(404, "There is no such pull", "See /v1/pulls for those there are."),
    "unknown-trip": Kind(404, "There is no such trip", "See /v1/trips for those there are."),
    "not-comparable": Kind(409, "These two cannot be compared", "See to the reasons, then ask again."),
    "guard-gone": Kind(
        503, "The guard does not answer", "To stop the engine, use the stop button on the stand, now."
    ),
    "recorder-gone": Kind(503, "The recorder does not answer", "The engine is guarded. Try again in a moment."),
    "store-unreadable": Kind(503, "The records cannot be read", "They appear once the recorder has made them."),
    "analysis-failed": Kind(503, "The analysis did not finish", "Try again; if it stays so, look at the log."),
    "too-many-streams": Kind(503, "Too many live streams are open", "Close other pages, or poll /v1/state."),
    "broken": Kind(500, "The program made a mistake", "Look at the log; the engine is guarded all the same."),
}

_BY_STATUS: Final = {404: "no-such-route", 405: "wrong-method", 413: "too-large"}


class ApiProblem(Exception):
    """A problem on its way out."""

    def __init__(
        self, kind: str, detail: str, *, reasons: tuple[str, ...] = (), allowed: tuple[str, ...] = ()
    ) -> None:
        super().__init__(detail)
        self.kind, self.detail, self.reasons, self.allowed = kind, detail, reasons, allowed


def type_of(kind: str) -> str:
    """Give the address of a kind's description, relative to this server."""
    return f"/v1/openapi.json#/x-problems/{kind}"


def _from_http(error: web.HTTPException, request: web.Request) -> ApiProblem:
    """Map what aiohttp itself refuses."""
    kind = _BY_STATUS.get(error.status, "not-valid" if error.status < 500 else "broken")
    if isinstance(error, web.HTTPMethodNotAllowed):
        return ApiProblem(kind, f"{request.method} {request.path}", allowed=tuple(sorted(error.allowed_methods)))
    return ApiProblem(kind, f"{request.method} {request.path}: {error.text or error.reason}")


def _headers(problem: ApiProblem) -> dict[str, str]:
    """Give the headers that HTTP asks for beside some statuses."""
    if problem.kind == "wrong-method":
        return {"Allow": ", ".join(problem.allowed)}
    return {"WWW-Authenticate": "Bearer"} if KINDS[problem.kind].status == 401 else {}


def respond(problem: ApiProblem, request: web.Request) -> web.Response:
    """Make the response; the advice follows the detail, so that it reaches whoever reads only that."""
    kind = KINDS[problem.kind]
    document = Problem(
        type=type_of(problem.kind), title=kind.title, status=kind.status,
        detail=f"{problem.detail.rstrip('.')}. {kind.advice}", instance=request.path,
        reasons=problem.reasons, allowed=problem.allowed,
    )
    body = msgspec.json.encode(document)
    return web.Response(status=kind.status, body=body, content_type=MEDIA_TYPE, headers=_headers(problem))


@web.middleware
async def problems(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Turn whatever goes wrong inside into a problem document."""
    try:
        return await handler(request)
    except ApiProblem as problem:
        return respond(problem, request)
    except (StoreError, sqlite3.Error) as error:
        return respond(ApiProblem("store-unreadable", str(error)), request)
    except web.HTTPException as error:
        return respond(_from_http(error, request), request)
    except ConnectionError:
        raise                                   # the client is gone: nobody is left to tell
    except Exception as error:
        LOG.exception("%s %s", request.method, request.path)
        return respond(ApiProblem("broken", type(error).__name__), request)
