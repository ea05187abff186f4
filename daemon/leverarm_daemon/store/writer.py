"""The one writer of the store: a thread with a bounded queue, and a future for each change.

A future is done only after COMMIT returned, with synchronous=FULL: what it acknowledges survives a
power cut. While the disk refuses, the change at the head of the queue is tried again and again, and
`trouble` says why; nothing is skipped and nothing is acknowledged.
"""

import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from functools import partial
from pathlib import Path
from queue import Full, Queue
from threading import Event, Thread
from typing import Final, TypeVar

from leverarm_daemon.errors import CountAndSkip, StoreError
from leverarm_daemon.store.changes import Change, Closing, Progress, Saved
from leverarm_daemon.store.file import open_for_writing
from leverarm_daemon.store.rows import load_progress, save

DEPTH: Final = 600
"""Changes that may wait: ten minutes of one a second, a few MB."""

T = TypeVar("T")

_ADVICE: Final = (
    ("full", "free space on the disk; recording goes on by itself"),
    ("readonly", "the disk has become read-only; check it and mount it anew"),
    ("unable to open", "the folder is missing, or this user may not write there"),
    ("locked", "another program holds the file open for writing; end it"),
)

_BUGS: Final = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.DataError)


class StoreBusy(CountAndSkip):
    """The queue of the writer is full; this change was not taken."""


class Writer:
    """Owns the only writing connection. `trouble` is empty, or says why nothing can be written."""

    def __init__(self, path: Path, depth: int = DEPTH, retry_s: float = 1.0) -> None:
        self.trouble = ""
        self.progress: Future[Progress | None] = Future()
        self._path, self._retry_s = path, retry_s
        self._queue: Queue[tuple[Change, Future[Saved]] | None] = Queue(depth)
        self._stop = Event()
        self._connection: sqlite3.Connection | None = None
        self._run_id: int | None = None
        self._thread = Thread(target=self._work, name="store-writer", daemon=True)

    def start(self) -> None:
        """Open the store in the thread; then `progress` is done, or holds a StoreError."""
        self._thread.start()

    def submit(self, change: Change) -> Future[Saved]:
        """Queue a change, never waiting; raises StoreBusy when the queue is full.

        The future may raise NotFound (no such pull), StoreError (the file cannot be used), or
        whatever a change raises that cannot be written as it is.
        """
        done: Future[Saved] = Future()
        try:
            self._queue.put_nowait((change, done))
        except Full:
            raise StoreBusy(self.trouble or "the disk is too slow") from None
        return done

    @property
    def waiting(self) -> int:
        """Give how many changes wait for the thread."""
        return self._queue.qsize()

    def close(self, timeout_s: float = 5.0) -> None:
        """Write what is queued and end the thread; what the disk still refuses then is given up."""
        try:
            self._queue.put(None, timeout=timeout_s)
        except Full:
            self._stop.set()
            self._queue.put(None, timeout=timeout_s)
        self._thread.join(timeout_s)
        self._stop.set()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        self._settle(self.progress, self._load_progress)
        while (job := self._queue.get()) is not None:
            change, done = job
            self._settle(done, partial(self._write, change))
        self._disconnect()

    def _settle(self, done: Future[T], act: Callable[[], T]) -> None:
        """Act, and tell the waiting side; what was cancelled meanwhile is done all the same."""
        awaited = done.set_running_or_notify_cancel()
        try:
            result = self._insist(act)
        except Exception as error:  # whatever it is: the thread must live on
            if awaited:
                done.set_exception(error)
        else:
            if awaited:
                done.set_result(result)

    def _insist(self, act: Callable[[], T]) -> T:
        """Act, again and again while the disk refuses."""
        while True:
            try:
                result = act()
            except _BUGS:
                raise
            except (sqlite3.Error, OSError) as error:
                self._disconnect()
                self.trouble = _words(error, self._path)
                if self._stop.wait(self._retry_s):
                    raise StoreError(self.trouble) from error
            else:
                self.trouble = ""
                return result

    def _load_progress(self) -> Progress | None:
        return load_progress(self._connected())

    def _write(self, change: Change) -> Saved:
        """Write a change as one transaction."""
        connection = self._connected()
        connection.execute("BEGIN IMMEDIATE")
        try:
            saved = save(connection, self._run_id, change)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        self._run_id = None if isinstance(change, Closing) else saved.run_id
        return saved

    def _connected(self) -> sqlite3.Connection:
        if self._connection is None:
            self._connection = open_for_writing(self._path)
        return self._connection

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(sqlite3.Error):
                connection.close()


def _words(error: Exception, path: Path) -> str:
    """Say what keeps the store from being written, and what to do."""
    text = str(error)
    advice = next(
        (words for sign, words in _ADVICE if sign in text), "look at the disk and its rights"
    )
    return f"{path.name} cannot be written ({text}): {advice}"
