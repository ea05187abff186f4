"""For all tests: whatever a test starts, it also ends. What is left over fails it."""

import asyncio
import gc
import inspect
import os
import threading
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

GRACE_S = 1.0
"""How long something that is already ending may take: a thread that returns, a peer's close."""


def _open_files() -> set[str]:
    """Give the open sockets, terminals and files of this process, pipes and the like left out."""
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        try:
            target = os.readlink(entry)
        except FileNotFoundError:  # the listing itself
            continue
        if target.startswith(("socket:", "/")):
            found.add(f"{target} (descriptor {entry.name})")
    return found


def _children() -> set[str]:
    """Give the child processes, those that ended unheard too."""
    found = set()
    for entry in Path("/proc/self/task").glob("*/children"):
        for pid in entry.read_text().split():
            command = Path("/proc", pid, "cmdline").read_bytes().replace(b"\0", b" ").decode()
            # Python's own helper: one a process, ends with it
            if "multiprocessing.resource_tracker" not in command:
                found.add(f"process {pid}: {command or 'ended, but never waited for'}")
    return found


def _threads() -> set[str]:
    return {f"thread {thread.name} ({thread.ident})" for thread in threading.enumerate()}


def _all() -> set[str]:
    return _open_files() | _children() | _threads()


@pytest.fixture(autouse=True)
def nothing_left_over() -> Iterator[None]:
    """Fail a test that leaves threads, child processes, sockets, terminals or files open."""
    before = _all()
    yield
    until = time.monotonic() + GRACE_S
    while (left := _all() - before) and time.monotonic() < until:
        gc.collect()  # an object in a circle is a leak too; its warning fails the test by itself
        time.sleep(0.01)
    assert not left, f"left over: {', '.join(sorted(left))}"


@pytest.fixture
async def no_task_left_over(nothing_left_over: None) -> AsyncIterator[None]:
    """Fail an async test that leaves tasks behind."""
    yield
    left = asyncio.all_tasks() - {asyncio.current_task()}
    if left:
        _, left = await asyncio.wait(left, timeout=GRACE_S)
    assert not left, f"left over: {', '.join(sorted(str(task) for task in left))}"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the look for tasks around each async test, outside all its other fixtures."""
    for item in items:
        if isinstance(item, pytest.Function) and inspect.iscoroutinefunction(item.obj):
            item.fixturenames.insert(0, "no_task_left_over")
