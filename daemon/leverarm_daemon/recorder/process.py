"""The recorder's process: sockets and clocks around the pipeline, the store and the publisher.

Run by `python -m leverarm_daemon.recorder.process FILE`. An item is acknowledged to the guard only when
the transaction that stores what came of it has been committed. When the store cannot keep up, what is
not taken is not acknowledged: the recorder follows the guard anew once the store takes changes again.
"""

import asyncio
import logging
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import AsyncExitStack, suppress
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from msgspec.structs import replace

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import BadMessage, LeverarmError, NotFound, PeerGone, RefuseToStart, StoreError
from leverarm_daemon.ipc.aio import Peer, ask_guard, connect_guard, serve
from leverarm_daemon.ipc.messages import (
    Committed,
    Fine,
    Follow,
    GuardReply,
    Keep,
    Line,
    No,
    Note,
    Picture,
    RecorderReply,
    RecorderRequest,
    Start,
    Stop,
    View,
    Watch,
)
from leverarm_daemon.publish.mqtt import Publisher
from leverarm_daemon.recorder.pipeline import Output, Pipeline
from leverarm_daemon.recorder.viewers import Viewers
from leverarm_daemon.records import Live
from leverarm_daemon.store.changes import Batch, Closing, KeepChange, Opening, Progress, Saved
from leverarm_daemon.store.writer import StoreBusy, Writer

PICTURE_S: Final = 0.05
PICTURES_A_LIVE: Final = 2
"""The broker gets every second picture."""

FIRST_WAIT_S: Final = 0.1
LONGEST_WAIT_S: Final = 2.0
OPENING_S: Final = 3.0
KEEP_S: Final = 1.5
SLOW_DISK_S: Final = 5.0
NO_LINE_MS: Final = 999_999

log = logging.getLogger("recorder")


class Recorder:
    """Joins guard, pipeline, store, publisher and viewers."""

    def __init__(self, stand: StandFile) -> None:
        self._stand = stand
        self._version = version("leverarm")
        self._writer = Writer(stand.store)
        self._viewers = Viewers()
        self._publisher = Publisher(stand.mqtt, stand.stand.name, self._stop_engine) if stand.mqtt else None
        self._pipeline = Pipeline(stand, version=self._version)
        self._boot = ""
        self._run_boot: str | None = None       # the guard boot whose run is open in the store
        self._progress: Progress | None = None  # of the newest batch that the writer took
        self._acknowledge: Committed | None = None
        self._waiting_s: deque[float] = deque()  # when the changes that are not yet committed were handed over
        self._behind = False
        self._unstored = 0
        self._lost = 0                          # on the way to the pipelines before this one
        self._last_pull: int | None = None
        self._line_ns: int | None = None
        self._complaint = ""

    async def run(self, stop: asyncio.Event) -> None:
        """Record until `stop` is set; raises StoreError when the store's file cannot be used at all."""
        self._writer.start()
        try:
            self._progress = await self._stored_progress()
            async with AsyncExitStack() as stack:
                await self._listen_to_clients(stack)
                await self._work(stop)
            self._write(self._pipeline.finish("ok", "the recorder was stopped"))
        finally:
            await asyncio.to_thread(self._writer.close)

    async def _listen_to_clients(self, stack: AsyncExitStack) -> None:
        path = self._stand.recorder_sock
        try:
            await stack.enter_async_context(serve(path, RecorderRequest, self._attend))
        except OSError as error:
            raise RefuseToStart(f"{path} cannot be opened: {error}") from error

    async def _work(self, stop: asyncio.Event) -> None:
        """Run all tasks until stopped, or until one of them fails."""
        works = [self._follow_guard(), self._paint(), stop.wait()]
        if self._publisher is not None:
            works.append(self._publisher.run())
        tasks = [asyncio.ensure_future(work) for work in works]
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for task in done:
            task.result()

    async def _stored_progress(self) -> Progress | None:
        """Ask the store how far it is; a disk that does not answer must not hold up the live picture."""
        stored = asyncio.wrap_future(self._writer.progress)
        done, _ = await asyncio.wait([stored], timeout=OPENING_S)
        return stored.result() if done else None

    async def _stop_engine(self, who: str) -> None:
        await ask_guard(self._stand.guard_sock, Stop(who))

    # --- the guard -------------------------------------------------------------------------------

    async def _follow_guard(self) -> None:
        """Follow the guard, for ever, over its restarts and ours."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                async with connect_guard(self._stand.guard_sock) as peer:
                    wait_s = FIRST_WAIT_S
                    await self._listen(peer)
            except (PeerGone, BadMessage) as error:
                self._complain(str(error))
            self._pipeline.view = None
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    async def _listen(self, peer: Peer[GuardReply]) -> None:
        known = self._progress
        await peer.send(Follow(known.boot, known.replay_after) if known else Follow("", 0))
        while True:
            match await peer.receive():
                case Start(boot):
                    self._begin(boot)
                case Line() | Note() as item:
                    self._take(item)
                case View(view):
                    self._pipeline.view = view
                    if self._publisher is not None:
                        self._publisher.state(view)
            self._catch_up()
            if self._acknowledge is not None:
                acknowledge, self._acknowledge = self._acknowledge, None
                await peer.send(acknowledge)

    def _begin(self, boot: str) -> None:
        """Begin with the items of a guard boot, which may be the one from before."""
        if self._run_boot is not None and self._run_boot != boot:
            self._write(self._pipeline.finish("ok", "the guard was started anew"))
        self._boot, self._acknowledge, self._complaint = boot, None, ""
        self._lost += self._pipeline.losses.count
        run_open = self._run_boot == boot
        self._pipeline = Pipeline(self._stand, boot, self._progress, run_open=run_open, version=self._version)
        log.info("following guard boot %s", boot)

    def _take(self, item: Line | Note) -> None:
        if isinstance(item, Line):
            self._line_ns = item.mono_ns
        self._write(self._pipeline.take(item))

    def _catch_up(self) -> None:
        """Break the connection, to follow anew, once the store takes what it could not take before."""
        if self._behind and not self._writer.waiting and not self._writer.trouble:
            self._behind = False
            raise PeerGone("the store takes changes again: following anew")

    def _complain(self, words: str) -> None:
        if words != self._complaint:
            log.warning("guard: %s; trying again", words)
            self._complaint = words

    # --- the store -------------------------------------------------------------------------------

    def _write(self, outputs: Sequence[Output]) -> None:
        """Hand outputs to the writer, in order; after one that it cannot take, none until it has room."""
        for output in outputs:
            if not self._behind:
                self._hand_over(output)
            if self._behind:
                self._unstored += 1

    def _hand_over(self, output: Output) -> None:
        try:
            future = self._writer.submit(output)
        except StoreBusy as error:
            log.error("not recorded: %s", error)
            self._behind = True
            return
        self._waiting_s.append(time.monotonic())
        if isinstance(output, Batch):
            self._progress = output.progress
        else:
            self._run_boot = self._boot if isinstance(output, Opening) else None
        loop = asyncio.get_running_loop()
        future.add_done_callback(_soon(loop, lambda done: self._written(output, done)))

    def _written(self, output: Output, done: "Future[Saved]") -> None:
        """Acknowledge what is committed, and tell what it contains."""
        self._waiting_s.popleft()
        error = done.exception()
        if error is not None:
            log.error("not recorded: %s", error)
            self._unstored += 1
            return
        if isinstance(output, Batch) and output.progress.boot == self._boot:
            self._acknowledge = Committed(self._boot, output.progress.n)
        if isinstance(output, Batch | Closing):
            self._tell(output, done.result())

    def _tell(self, stored: Batch | Closing, saved: Saved) -> None:
        run_id = saved.run_id or 0
        for pull_id, pull in zip(saved.pulls, stored.pulls, strict=False):
            self._last_pull = pull_id
            log.info("%s %d of build %s is stored", pull.kind, pull_id, pull.build)
            if self._publisher is not None:
                self._publisher.pull(replace(pull, id=pull_id, run_id=run_id))
        trips = stored.trips if isinstance(stored, Batch) else ()
        for trip_id, trip in zip(saved.trips, trips, strict=False):
            log.info("trip %d (%s) is stored", trip_id, trip.first_cause)
            if self._publisher is not None:
                self._publisher.trip(replace(trip, id=trip_id, run_id=run_id))

    def _trouble(self) -> str:
        """Say why nothing is recorded at present; empty when all is well."""
        if self._writer.trouble:
            return self._writer.trouble
        if self._behind:
            return "the disk could not keep up"
        if self._waiting_s and time.monotonic() - self._waiting_s[0] > SLOW_DISK_S:
            return f"the disk has not answered for more than {SLOW_DISK_S:g} s"
        return ""

    # --- whoever watches -------------------------------------------------------------------------

    async def _paint(self) -> None:
        """Show a picture 20 times a second."""
        loop, count = asyncio.get_running_loop(), 0
        due_s = loop.time()
        while True:
            due_s = max(due_s + PICTURE_S, loop.time())
            await asyncio.sleep(due_s - loop.time())
            count += 1
            publish = self._publisher is not None and count % PICTURES_A_LIVE == 0
            if publish or self._viewers:
                live = self._live()
                self._viewers.show(live)
                if publish and self._publisher is not None:
                    self._publisher.live(live)

    def _live(self) -> Live:
        trouble = self._trouble()
        age_ms = NO_LINE_MS if self._line_ns is None else (time.monotonic_ns() - self._line_ns) // 1_000_000
        return replace(
            self._pipeline.live(),
            recorded=not trouble,
            not_recorded_because=trouble,
            last_pull=self._last_pull,
            dropped=self._dropped(),
            age_ms=min(age_ms, NO_LINE_MS),
        )

    def _dropped(self) -> int:
        """Give how much is missing anywhere: in the store, of what should have come, or for who watches."""
        published = self._publisher.dropped if self._publisher else 0
        return self._unstored + self._lost + self._pipeline.losses.count + self._viewers.dropped + published

    async def _attend(self, peer: Peer[RecorderRequest]) -> None:
        """Serve one client."""
        while True:
            match await peer.receive():
                case Keep() as keep:
                    await peer.send(await self._keep(keep))
                case Watch():
                    with self._viewers.watching() as pictures:
                        async for live in pictures:
                            await peer.send(Picture(live))

    async def _keep(self, keep: Keep) -> RecorderReply:
        utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        change = KeepChange(keep.pull, keep.kept, keep.who, keep.why, utc)
        try:
            written = asyncio.wrap_future(self._writer.submit(change))
            await asyncio.wait_for(asyncio.shield(written), KEEP_S)
        except (NotFound, StoreError, StoreBusy) as error:
            return No("refused", (str(error),))
        except TimeoutError:
            return No("refused", (f"not written yet, it is tried again: {self._trouble() or 'the disk is slow'}",))
        return Fine()


def _soon(loop: asyncio.AbstractEventLoop, act: Callable[[Any], None]) -> Callable[[Any], None]:
    """Have the loop act; a loop that has ended needs it no more."""

    def call(done: Any) -> None:
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(act, done)

    return call


async def record(stand: StandFile) -> None:
    """Record until the process is told to end."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    await Recorder(stand).run(stop)


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RefuseToStart(f"{path} cannot be made: {error}") from error


def main() -> int:
    """Run the recorder of the stand file named on the command line; 2 when it refuses to start, 1 when it broke."""
    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s")
    if len(sys.argv) != 2:
        log.error("usage: python -m leverarm_daemon.recorder.process FILE")
        return 2
    try:
        stand = load_stand_file(Path(sys.argv[1]))
        _make_folder(Path(stand.state_dir))
        asyncio.run(record(stand))
    except RefuseToStart as error:
        log.error("%s", error)
        return 2
    except (LeverarmError, OSError) as error:
        log.error("%s", error or type(error).__name__)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
