"""Groups of pulls, and one build against another."""

from typing import Annotated, Final, Literal

import msgspec
from aiohttp import web

from leverarm_api import work
from leverarm_api.keys import STAND, WORKER
from leverarm_api.problems import ApiProblem
from leverarm_api.routes.commands import check_known
from leverarm_api.routing import Route, query_of, reply
from leverarm_daemon.records import Comparison, Record

BuildName = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


class CompareQuery(Record):
    """Two builds; the difference is B minus A. `units` are those of the sentence; the numbers are always SI."""

    a: BuildName
    b: BuildName
    units: Literal["si", "trade"] = "si"


class Comparisons(Record):
    """B against A, in torque and in power."""

    comparisons: tuple[Comparison, ...]


async def groups(request: web.Request) -> web.Response:
    """Give every group."""
    return reply(await request.app[WORKER].run(work.groups, request.app[STAND].store))


async def compare(request: web.Request) -> web.Response:
    """Compare two builds."""
    query = query_of(request, CompareQuery)
    if query.a == query.b:
        raise ApiProblem("not-valid", "query: a and b name the same build")
    stand = request.app[STAND]
    found = await request.app[WORKER].run(work.comparisons, stand.store, query.a, query.b, query.units)
    for name, count in ((query.a, found.n_a), (query.b, found.n_b)):
        if count == 0:
            check_known(stand, name, "kept pulls")
    if found.reasons:
        raise ApiProblem("not-comparable", "; ".join(found.reasons), reasons=found.reasons)
    return reply(Comparisons(found.comparisons))


_WORK: Final = ("analysis-failed", "store-unreadable")

ROUTES: Final = (
    Route("GET", "/v1/groups", groups, "Mean, spread and interval of each build.", reply=work.Grouped, problems=_WORK),
    Route(
        "GET", "/v1/compare", compare, "B against A: difference, interval and verdict in words.",
        reply=Comparisons, query=CompareQuery, problems=("unknown-build", "not-comparable", *_WORK),
    ),
)
