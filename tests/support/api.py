"""What the tests of the API share: a stand file, a store with a few pulls, and a client for the application."""

from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

import msgspec
from aiohttp import ClientResponse
from aiohttp.test_utils import TestClient, TestServer
from aiohttp.web import Application, Request

from leverarm_api.access import digest
from leverarm_api.app import make_app
from leverarm_api.keys import OPEN_STORE
from leverarm_api.problems import KINDS, Problem, type_of
from leverarm_daemon.config import (
    ApiSection,
    BrakeSection,
    EngineSection,
    LimitsSection,
    LinkSection,
    LoadSection,
    StandFile,
    StandSection,
)
from leverarm_daemon.records import Build, Calibration, CurvePoint, Peak, Pull, Quality, RotatingPart, Trip, Weather
from leverarm_daemon.store.changes import Batch, Opening, Progress
from leverarm_daemon.store.reader import Reader
from leverarm_daemon.store.writer import Writer
from support.fakes import FakeGuard, FakeRecorder

TOKEN = "a-token-for-tests"
BEARER = {"Authorization": f"Bearer {TOKEN}"}

Client = TestClient[Request, Application]


def stand_file(folder: Path) -> StandFile:
    """Give an invented stand that keeps its things in `folder`."""
    parts = (RotatingPart("flywheel", 6000.0, "invented"),)
    return StandFile(
        stand=StandSection("test-stand"), link=LinkSection(port="/dev/null"), brake=BrakeSection(arm_m=0.3),
        load=LoadSection(200.0, Calibration((0.0, 0.01), "2026-01-01", "2027-01-01")),
        engine=EngineSection("pump engine, 270 cc", 4, 270.0), weather=Weather(990.0, 20.0, 0.4),
        builds=tuple(Build(name, parts, 0.02, 16.0) for name in ("paper", "foam")),
        limits=LimitsSection(head_warn_c=220.0, head_trip_c=250.0), api=ApiSection(port=0), state_dir=str(folder),
    )


def pull(number: int, build: str, torque_nm: float, *, kept: bool = True) -> Pull:
    """Give a pull with a curve of two points."""
    point = CurvePoint(1_000_000 * number, 3000.0, 40.0, 12.0, 0.2, 12.2, 3.8, 2)
    return Pull(
        id=number, run_id=1, build=build, started_utc="2026-05-04T10:00:00+00:00",
        started_us=1_000_000 * number, ended_us=1_000_000 * number + 500_000,
        kind="pull" if kept else "short", kept=kept, ended_by="release",
        peak_torque_nm=Peak(torque_nm, 2500.0), peak_power_kw=Peak(torque_nm * 0.3, 3300.0),
        correction="SAE J1349", correction_factor=1.01, inertia_share=0.02, quality=Quality.GOOD, reason="",
        simulated=True, curve=(point, msgspec.structs.replace(point, speed_rpm=2500.0)),
    )


PULLS = (
    pull(1, "paper", 15.0), pull(2, "foam", 14.0), pull(3, "foam", 14.2), pull(4, "paper", 15.1),
    pull(5, "paper", 15.2), pull(6, "foam", 14.1), pull(7, "paper", 9.0, kept=False),
)
TRIPS = (
    Trip(1, 1, "2026-05-04T10:10:00+00:00", 9_000_000, "overspeed", ("asked",), 4215.0, 4200.0, 4390.0, 190.0, True),
)


def make_store(path: Path, pulls: tuple[Pull, ...] = PULLS) -> None:
    """Write a store with PULLS and TRIPS, by the writer that the recorder uses."""
    writer = Writer(path)
    writer.start()
    try:
        opening = Opening("2026-05-04T09:59:00+00:00", "b1", "0", "1", True, False, "{}", None)
        for change in (opening, Batch(Progress("b1", 9, 0, "{}"), pulls=pulls, trips=TRIPS)):
            writer.submit(change).result(5)
    finally:
        writer.close()


class Bench:
    """A client of the application, with the guard and recorder that it talks to."""

    def __init__(self, client: Client, guard: FakeGuard, recorder: FakeRecorder, stand: StandFile) -> None:
        self.client, self.guard, self.recorder, self.stand = client, guard, recorder, stand

    async def post(self, path: str, body: Any) -> ClientResponse:
        """Post a JSON body with the token."""
        return await self.client.post(path, json=body, headers=BEARER)


@asynccontextmanager
async def bench(
    folder: Path, *, recorder: bool = True, guard: bool = True, open_store: Callable[[], Reader] | None = None
) -> AsyncIterator[Bench]:
    """Have the application served, with a fake guard and recorder as asked, and the store opened as asked."""
    stand, fake_guard, fake_recorder = stand_file(folder), FakeGuard(), FakeRecorder()
    async with AsyncExitStack() as stack:
        if guard:
            await stack.enter_async_context(fake_guard.listening(stand.guard_sock))
        if recorder:
            await stack.enter_async_context(fake_recorder.listening(stand.recorder_sock))
        app = make_app(stand, digest(TOKEN))
        app[OPEN_STORE] = open_store or app[OPEN_STORE]
        client = await stack.enter_async_context(TestClient(TestServer(app)))
        yield Bench(client, fake_guard, fake_recorder, stand)


async def problem(response: ClientResponse, kind: str) -> Problem:
    """Check that a response is a problem document of this kind, whole and strict, and give it."""
    assert response.content_type == "application/problem+json", await response.text()
    found = msgspec.json.decode(await response.read(), type=Problem)
    assert (found.type, found.status, response.status) == (type_of(kind), KINDS[kind].status, KINDS[kind].status)
    assert found.title == KINDS[kind].title
    assert KINDS[kind].advice in found.detail
    assert found.instance == response.url.path
    return found
