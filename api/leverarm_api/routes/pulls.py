"""Pulls and trips, as the store has them."""

import asyncio
from collections.abc import Callable
from typing import Annotated, Final, TypeVar

import msgspec
from aiohttp import web

from leverarm_api.keys import OPEN_STORE, STAND
from leverarm_api.problems import ApiProblem
from leverarm_api.routes.commands import check_known, who
from leverarm_api.routing import Route, body_of, number_in, query_of, reply
from leverarm_daemon.errors import BadMessage, NotFound, PeerGone
from leverarm_daemon.ipc.aio import ask_recorder
from leverarm_daemon.ipc.messages import Fine, Keep
from leverarm_daemon.records import Pull, Record, Trip
from leverarm_daemon.store.reader import Reader

T = TypeVar("T")

Limit = Annotated[int, msgspec.Meta(ge=1, le=1000)]


class PullsQuery(Record):
    """Which pulls: of one build or of all, newest first."""

    build: str | None = None
    limit: Limit = 200


class TripsQuery(Record):
    """How many trips, newest first."""

    limit: Limit = 50


class Pulls(Record):
    """Pulls, newest first, without their curves."""

    pulls: tuple[Pull, ...]


class Trips(Record):
    """Trips, newest first."""

    trips: tuple[Trip, ...]


class KeepBody(Record):
    """Count this pull, or leave it out; the reason is kept with it."""

    kept: bool
    why: Annotated[str, msgspec.Meta(min_length=1, max_length=300)]


class Kept(Record):
    """What was written down."""

    pull: int
    kept: bool
    why: str


async def _read(request: web.Request, look: Callable[[Reader], T]) -> T:
    """Look something up in the store, in a thread, so that a slow disk does not hold up the live stream."""

    def read() -> T:
        with request.app[OPEN_STORE]() as reader:
            return look(reader)

    return await asyncio.to_thread(read)


async def _read_one(request: web.Request, kind: str, look: Callable[[Reader, int], T]) -> T:
    """Look up the thing whose number is in the path; raises a problem of this kind when it is not there."""
    number = number_in(request, kind)
    try:
        return await _read(request, lambda reader: look(reader, number))
    except NotFound as error:
        raise ApiProblem(kind, str(error)) from error


async def pulls(request: web.Request) -> web.Response:
    """List pulls."""
    query = query_of(request, PullsQuery)
    found = await _read(request, lambda reader: reader.pulls(query.limit, query.build))
    if query.build is not None and not found:
        check_known(request.app[STAND], query.build, "pulls")
    return reply(Pulls(tuple(found)))


async def pull(request: web.Request) -> web.Response:
    """Give one pull with its curve."""
    return reply(await _read_one(request, "unknown-pull", Reader.pull))


async def keep(request: web.Request) -> web.Response:
    """Have the recorder note whether a pull counts."""
    body = await body_of(request, KeepBody)
    found = await _read_one(request, "unknown-pull", Reader.pull)
    message = Keep(pull=found.id, kept=body.kept, who=who(request), why=body.why)
    try:
        answer = await ask_recorder(request.app[STAND].recorder_sock, message)
    except (PeerGone, BadMessage) as error:
        raise ApiProblem("recorder-gone", str(error)) from error
    if not isinstance(answer, Fine):
        reasons = getattr(answer, "reasons", ())
        raise ApiProblem("refused", "; ".join(reasons) or repr(answer), reasons=reasons)
    return reply(Kept(found.id, body.kept, body.why))


async def trips(request: web.Request) -> web.Response:
    """List trips."""
    query = query_of(request, TripsQuery)
    return reply(Trips(tuple(await _read(request, lambda reader: reader.trips(query.limit)))))


async def trip(request: web.Request) -> web.Response:
    """Give one trip."""
    return reply(await _read_one(request, "unknown-trip", Reader.trip))


_READ: Final = ("store-unreadable",)

ROUTES: Final = (
    Route(
        "GET", "/v1/pulls", pulls, "Pulls, newest first.", reply=Pulls, query=PullsQuery,
        problems=("unknown-build", *_READ),
    ),
    Route(
        "GET", "/v1/pulls/{id}", pull, "One pull with its curve.", reply=Pull, problems=("unknown-pull", *_READ)
    ),
    Route(
        "POST", "/v1/pulls/{id}/keep", keep, "Count a pull, or leave it out, and say why.",
        reply=Kept, body=KeepBody, problems=("unknown-pull", "recorder-gone", "refused", *_READ),
    ),
    Route("GET", "/v1/trips", trips, "Trips, newest first.", reply=Trips, query=TripsQuery, problems=_READ),
    Route("GET", "/v1/trips/{id}", trip, "One trip.", reply=Trip, problems=("unknown-trip", *_READ)),
)
