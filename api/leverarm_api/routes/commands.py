"""Commands: stop for anyone, the rest for whoever holds the token and has seen the present state."""

from typing import Annotated, Final

import msgspec
from aiohttp import web

from leverarm_api.keys import STAND, STOPPER
from leverarm_api.problems import ApiProblem
from leverarm_api.routing import Route, body_of, reply
from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import BadMessage, PeerGone
from leverarm_daemon.ipc.aio import ask_guard
from leverarm_daemon.ipc.messages import Allow, Done, GuardReply, GuardRequest, No, Reset, Select
from leverarm_daemon.records import GuardView, Record

Revision = Annotated[int, msgspec.Meta(ge=0, le=2**53 - 1, description="the revision of the state you have seen")]


class AllowBody(Record):
    """Allow a start, as the stand is at this revision."""

    revision: Revision


class ResetBody(Record):
    """Leave the tripped state of this revision."""

    revision: Revision


class SelectBody(Record):
    """Put a build of the stand file on the brake."""

    revision: Revision
    build: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


def who(request: web.Request) -> str:
    """Say who asks, as the guard and the recorder note it down."""
    return f"REST from {request.remote}"


async def tell_guard(request: web.Request, message: GuardRequest) -> GuardView:
    """Send a message to the guard; gives its view, or raises the problem that its answer means."""
    try:
        answer = await ask_guard(request.app[STAND].guard_sock, message)
    except (PeerGone, BadMessage) as error:
        raise ApiProblem("guard-gone", str(error)) from error
    return _view_in(answer)


def _view_in(answer: GuardReply) -> GuardView:
    match answer:
        case Done(view):
            return view
        case No("stale", reasons):
            raise ApiProblem("stale-revision", "; ".join(reasons) or "the stand has changed")
        case No("refused", reasons):
            raise ApiProblem("refused", "; ".join(reasons), reasons=reasons)
    raise ApiProblem("broken", f"the guard answered {answer!r}")


async def stop(request: web.Request) -> web.Response:
    """Stop the engine. Looks at nothing of the request: neither token, host, origin nor body."""
    try:
        answer = await request.app[STOPPER].stop(who(request))
    except (PeerGone, BadMessage) as error:
        raise ApiProblem("guard-gone", str(error)) from error
    if not isinstance(answer, Done):
        raise ApiProblem("guard-gone", f"the guard answered {answer!r}")
    return reply(answer.view)


async def allow(request: web.Request) -> web.Response:
    """Allow a start."""
    body = await body_of(request, AllowBody)
    return reply(await tell_guard(request, Allow(who(request), body.revision)))


async def reset(request: web.Request) -> web.Response:
    """Leave the tripped state."""
    body = await body_of(request, ResetBody)
    return reply(await tell_guard(request, Reset(who(request), body.revision)))


async def select(request: web.Request) -> web.Response:
    """Put another build on the brake."""
    body = await body_of(request, SelectBody)
    stand = request.app[STAND]
    build = stand.build(body.build)
    if build is None:
        raise _unknown(stand, f"{body.build!r} is not in the stand file")
    return reply(await tell_guard(request, Select(who(request), body.revision, build)))


def check_known(stand: StandFile, name: str, what: str) -> None:
    """Raise the problem when a build of which no `what` were found is not in the stand file either."""
    if stand.build(name) is None:
        raise _unknown(stand, f"{name!r} is not in the stand file and has no {what}")


def _unknown(stand: StandFile, detail: str) -> ApiProblem:
    return ApiProblem("unknown-build", detail, allowed=tuple(build.name for build in stand.builds))


_GUARD_SAYS_NO: Final = ("stale-revision", "refused", "guard-gone")

ROUTES: Final = (
    Route(
        "POST", "/v1/stop", stop,
        "Stop the engine. Never refused: no token, any origin, any host, any body, as often as you like. "
        "This is no emergency stop: that is the button on the stand.",
        reply=GuardView, problems=("guard-gone",),
    ),
    Route(
        "POST", "/v1/allow", allow, "Allow a start; refused with reasons while anything speaks against it.",
        reply=GuardView, body=AllowBody, problems=_GUARD_SAYS_NO,
    ),
    Route(
        "POST", "/v1/reset", reset, "Leave the tripped state; it never allows a start by itself.",
        reply=GuardView, body=ResetBody, problems=_GUARD_SAYS_NO,
    ),
    Route(
        "POST", "/v1/select", select, "Put another build on the brake; only while held.",
        reply=GuardView, body=SelectBody, problems=(*_GUARD_SAYS_NO, "unknown-build"),
    ),
)
