"""A guard and a recorder that say what a test tells them to: on unix sockets, in the words of ipc/messages."""

import asyncio
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

import msgspec

from leverarm_daemon.ipc.aio import Peer, serve
from leverarm_daemon.ipc.messages import (
    Allow,
    Done,
    Fine,
    GuardReply,
    GuardRequest,
    Keep,
    No,
    Picture,
    RecorderReply,
    RecorderRequest,
    Reset,
    Select,
    Stop,
)
from leverarm_daemon.records import GuardView, Live, Quality, Value


def view(**changes: Any) -> GuardView:
    """Give a guard's view of a stand that is held, with nothing against a start."""
    held = GuardView(
        boot="b1", revision=7, state="held", first_cause=None, followed_by=(), notices=(), why_not=(),
        build="paper", trip_rpm=4200.0, start_cap_rpm=3000.0, speed_rpm=0.0, link="up", simulated=True, recorder=True,
    )
    return msgspec.structs.replace(held, **changes)


def live(**changes: Any) -> Live:
    """Give a live picture of a running engine in a pull."""
    running = Live(
        utc="2026-05-04T10:00:00.000+00:00", device_us=1_000_000,
        guard=view(state="running", speed_rpm=2600.0),
        values={
            "speed_rpm": Value(2600.0, "rpm"),
            "torque_nm": Value(15.2, "N·m"),
            "torque_corrected_nm": Value(15.2, "N·m", reason="SAE J1349"),
            "power_corrected_kw": Value(4.21, "kW"),
            "correction": Value(1.02, "", Quality.GOOD, "SAE J1349"),
            "head_c": Value(None, "°C", Quality.BAD, "open"),
        },
        recorded=True, not_recorded_because="", pull="pulling", curve=((3000.0, 14.0, 4.4), (2600.0, 15.2, 4.1)),
        last_pull=3, dropped=0, age_ms=12,
    )
    return msgspec.structs.replace(running, **changes)


class FakeGuard:
    """Answers like a guard whose view the test sets. `silent`: takes requests and answers nothing."""

    def __init__(self) -> None:
        self.view = view()
        self.asked: list[GuardRequest] = []
        self.silent = False
        self.delay_s = 0.0

    def listening(self, path: Path) -> AbstractAsyncContextManager[None]:
        """Serve at a unix socket while inside; afterwards nothing of it is left, as after a kill."""
        return serve(path, GuardRequest, self._attend)

    async def _attend(self, peer: Peer[GuardRequest]) -> None:
        while True:
            request = await peer.receive()
            self.asked.append(request)
            if not self.silent:
                await asyncio.sleep(self.delay_s)
                await peer.send(self._answer(request))

    def _answer(self, request: GuardRequest) -> GuardReply:
        if isinstance(request, Allow | Reset | Select) and request.revision != self.view.revision:
            return No("stale", (f"revision {request.revision} is over, it is {self.view.revision}",))
        if isinstance(request, Allow) and self.view.why_not:
            return No("refused", self.view.why_not)
        match request:
            case Stop():
                self._become("held")
            case Allow():
                self._become("start-allowed")
            case Select(build=build):
                self._become("held", build=build.name)
        return Done(self.view)

    def _become(self, state: str, **changes: Any) -> None:
        if (self.view.state, changes) != (state, {}):
            self.view = msgspec.structs.replace(self.view, state=state, revision=self.view.revision + 1, **changes)


class FakeRecorder:
    """Sends `picture` each `period_s` to whoever watches, while `sending`; notes what it was asked to keep."""

    def __init__(self) -> None:
        self.picture = live()
        self.kept: list[Keep] = []
        self.keep_answer: RecorderReply = Fine()
        self.sending = True
        self.period_s = 0.05
        self.watchers = 0

    def listening(self, path: Path) -> AbstractAsyncContextManager[None]:
        """Serve at a unix socket while inside; afterwards nothing of it is left, as after a kill."""
        return serve(path, RecorderRequest, self._attend)

    async def _attend(self, peer: Peer[RecorderRequest]) -> None:
        request = await peer.receive()
        if isinstance(request, Keep):
            self.kept.append(request)
            await peer.send(self.keep_answer)
            return
        self.watchers += 1
        while True:
            if self.sending:
                await peer.send(Picture(self.picture))
            await asyncio.sleep(self.period_s)
