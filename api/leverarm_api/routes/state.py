"""What the stand is, and what the guard says of it."""

from typing import Final, Literal

from aiohttp import web
from msgspec.structs import replace

from leverarm_api.access import check_token
from leverarm_api.keys import LIVE, STAND
from leverarm_api.routes.commands import tell_guard
from leverarm_api.routing import Route, reply
from leverarm_daemon.causes import CAUSES, Cause
from leverarm_daemon.config import EngineSection, LimitsSection
from leverarm_daemon.ipc.messages import Ask
from leverarm_daemon.records import Build, GuardView, Record
from leverarm_daemon.states import INPUT_WORDS


class StandState(Record):
    """The guard's view, fresh; how old the live picture is (None: there was none yet), and how many listen.

    `recorder`, here and in the view: it answers the guard, and this server.
    """

    guard: GuardView
    live_age_ms: int | None
    recorder: bool
    streams: int


class Stand(Record):
    """What a page needs to know of the stand: who it is, its limits, and what an input is called, on and off."""

    name: str
    engine: EngineSection
    limits: LimitsSection
    load_rated_n: float
    input_words: dict[str, tuple[str, str]]


class Causes(Record):
    """Every cause that stops the engine or warns, with its words and advice."""

    causes: tuple[Cause, ...]


class Builds(Record):
    """The builds of the stand file."""

    builds: tuple[Build, ...]


class Access(Record):
    """What the token that was sent allows: "watch" (and stop) with none, "operate" with the stand's."""

    may: Literal["watch", "operate"]


async def access(request: web.Request) -> web.Response:
    """Tell whoever asks what they may do; a wrong token is a problem, so that nobody takes it for the right one."""
    if "Authorization" not in request.headers:
        return reply(Access("watch"))
    check_token(request)
    return reply(Access("operate"))


async def state(request: web.Request) -> web.Response:
    """Ask the guard itself."""
    hub = request.app[LIVE]
    guard = await tell_guard(request, Ask())
    heard = guard.recorder and hub.recorder_heard       # the guard itself takes longer to be sure
    return reply(StandState(replace(guard, recorder=heard), hub.age_ms(), heard, hub.streams))


async def stand(request: web.Request) -> web.Response:
    """Give the stand file's facts."""
    file = request.app[STAND]
    return reply(Stand(file.stand.name, file.engine, file.limits, file.load.rated_n, INPUT_WORDS))


async def causes(_request: web.Request) -> web.Response:
    """Give the table of causes."""
    return reply(Causes(tuple(CAUSES.values())))


async def builds(request: web.Request) -> web.Response:
    """Give the builds."""
    return reply(Builds(request.app[STAND].builds))


ROUTES: Final = (
    Route(
        "GET", "/v1/access", access, "What one may do here: watch and stop, or with the stand's token operate too.",
        reply=Access, problems=("no-token", "wrong-token"),
    ),
    Route("GET", "/v1/state", state, "The guard's view, asked afresh.", reply=StandState, problems=("guard-gone",)),
    Route("GET", "/v1/stand", stand, "The stand: its name, engine and limits.", reply=Stand),
    Route("GET", "/v1/causes", causes, "Every cause that stops the engine or warns.", reply=Causes),
    Route("GET", "/v1/builds", builds, "The builds that can be put on the brake.", reply=Builds),
)
