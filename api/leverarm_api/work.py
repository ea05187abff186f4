"""Analysis, in a process of its own: its numbers never hold up the live stream, its libraries load only when asked."""

import asyncio
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import Final, ParamSpec, TypeVar

from leverarm_api.problems import ApiProblem
from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Comparison, Group, Record
from leverarm_daemon.store.reader import Reader
from leverarm_daemon.units import SI, TRADE

P = ParamSpec("P")
T = TypeVar("T")

TIMEOUT_S: Final = 30.0
UNITS: Final = {"si": SI, "trade": TRADE}
"""Units in which a comparison's sentence can be told."""


class Worker:
    """One worker process, made at the first use."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

    async def run(self, job: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run a job in the worker; raises the problem "analysis-failed" when it dies or takes too long."""
        pool = self._pool = self._pool or _make_pool()
        try:
            async with asyncio.timeout(TIMEOUT_S):
                return await asyncio.wrap_future(pool.submit(job, *args, **kwargs))
        except BrokenProcessPool as error:
            self._pool = None
            raise ApiProblem("analysis-failed", "the worker process died") from error
        except TimeoutError as error:
            raise ApiProblem("analysis-failed", f"it took longer than {TIMEOUT_S:.0f} s") from error

    async def close(self) -> None:
        """Let the worker finish and end it."""
        if self._pool is not None:
            await asyncio.to_thread(self._pool.shutdown, cancel_futures=True)
            self._pool = None


def _make_pool() -> ProcessPoolExecutor:
    """Make the pool; spawned, since a fork would carry the server's sockets along."""
    return ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_belong_to_the_server)


def _belong_to_the_server() -> None:
    """Ignore the terminal's interrupt, since the server ends the worker; end also when the server was killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_server, name="end with the server", daemon=True).start()


def _end_with_the_server() -> None:
    server = parent_process()
    if server is not None:
        server.join()
        os._exit(1)


# --- the jobs (they run in the worker) -----------------------------------------------------------


class Grouped(Record):
    """The groups that could be made, and why the others could not."""

    groups: tuple[Group, ...]
    not_made: tuple[str, ...]


class Compared(Record):
    """How many kept pulls each build has, and what comes of them, or the reasons why nothing does."""

    n_a: int
    n_b: int
    comparisons: tuple[Comparison, ...]
    reasons: tuple[str, ...] = ()


def groups(store: Path) -> Grouped:
    """Give the group of each build that has kept pulls, in the order of their first one."""
    from leverarm_daemon.analysis import compare

    with Reader(store) as reader:
        kept = {build: pulls for build in reader.builds() if (pulls := reader.kept(build))}
    made: list[Group] = []
    not_made: list[str] = []
    for build, pulls in kept.items():
        try:
            made.append(compare.group(build, pulls))
        except Refused as refusal:
            not_made.extend(refusal.reasons)
    return Grouped(tuple(sorted(made, key=lambda group: min(group.pulls))), tuple(not_made))


def comparisons(store: Path, a: str, b: str, units: str) -> Compared:
    """Compare the kept pulls of two builds in torque and in power; `units` is a key of UNITS."""
    from leverarm_daemon.analysis import compare

    with Reader(store) as reader:
        kept_a, kept_b = reader.kept(a), reader.kept(b)
    try:
        found = tuple(compare.compare(kept_a, kept_b, quantity, UNITS[units]) for quantity in compare.QUANTITIES)
    except Refused as refusal:
        return Compared(len(kept_a), len(kept_b), (), refusal.reasons)
    return Compared(len(kept_a), len(kept_b), found)
