"""Reading the store, while it is written or not: read-only, and only what is committed."""

import sqlite3
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Final, Self
from urllib.parse import quote

import msgspec

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import NotFound, StoreError
from leverarm_daemon.records import Pull, Record, Trip
from leverarm_daemon.store.changes import Event
from leverarm_daemon.store.chunks import BadChunk, Raw, between, join, unpack
from leverarm_daemon.store.file import check_ours
from leverarm_daemon.store.rows import curve_from_blob, pull_from_row, trip_from_row

_BUSY_S: Final = 2.0


class RawPull(Record):
    """What a pull was made of, and the stand as it was described then. `damaged`: seconds lost."""

    pull: Pull
    stand: StandFile
    raw: Raw
    damaged: int


class Run(Record):
    """A run. `status`: "open", or that of its closing."""

    id: int
    utc: str
    simulated: bool
    continues: int | None
    status: str
    reason: str


class Reader:
    """A connection for one thread, closed on leaving the context; raises StoreError when opened."""

    def __init__(self, path: Path) -> None:
        self._connection = _open(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def pulls(self, limit: int = 200, build: str | None = None) -> list[Pull]:
        """Give pulls and short ones, newest first, without their curves."""
        rows = self._connection.execute(
            "SELECT * FROM pull_now WHERE ?1 IS NULL OR build = ?1 ORDER BY id DESC LIMIT ?2",
            (build, limit),
        )
        return [pull_from_row(row) for row in rows]

    def pull(self, pull_id: int) -> Pull:
        """Give a pull with its curve; raises NotFound."""
        row = self._one("SELECT * FROM pull_now WHERE id = ?", pull_id, "pull")
        return pull_from_row(row, curve_from_blob(row["curve"]))

    def trips(self, limit: int = 50) -> list[Trip]:
        """Give trips, newest first."""
        rows = self._connection.execute("SELECT * FROM trip ORDER BY id DESC LIMIT ?", (limit,))
        return [trip_from_row(row) for row in rows]

    def trip(self, trip_id: int) -> Trip:
        """Give a trip; raises NotFound."""
        return trip_from_row(self._one("SELECT * FROM trip WHERE id = ?", trip_id, "trip"))

    def runs(self, limit: int = 50) -> list[Run]:
        """Give runs, newest first."""
        rows = self._connection.execute(_RUNS, (limit,))
        return [Run(**{**dict(row), "simulated": bool(row["simulated"])}) for row in rows]

    def events(self, run_id: int) -> list[Event]:
        """Give the events of a run in the order in which they were stored."""
        rows = self._connection.execute(
            "SELECT n, utc, kind, body FROM event WHERE run_id = ? ORDER BY id", (run_id,)
        )
        return [Event(*row) for row in rows]

    def raw(self, pull_id: int) -> RawPull:
        """Give a pull's raw data, from its beginning to its end; raises NotFound."""
        pull = self.pull(pull_id)
        stand = self._one("SELECT stand FROM opening WHERE run_id = ?", pull.run_id, "run")["stand"]
        raw, damaged = self.raw_between(pull.run_id, pull.started_us, pull.ended_us)
        return RawPull(pull, msgspec.json.decode(stand, type=StandFile), raw, damaged)

    def raw_between(self, run_id: int, from_us: int, to_us: int) -> tuple[Raw, int]:
        """Give a run's raw data between two device times, and how many chunks are damaged.

        A run that continues others includes them.
        """
        rows = self._connection.execute(_CHUNKS, (run_id, from_us, to_us))
        parts, damaged = _unpacked(row["blob"] for row in rows)
        return between(join(parts), from_us, to_us), damaged

    def _one(self, sql: str, wanted: int, what: str) -> sqlite3.Row:
        row: sqlite3.Row | None = self._connection.execute(sql, (wanted,)).fetchone()
        if row is None:
            raise NotFound(f"there is no {what} {wanted}")
        return row


_CHUNKS: Final = """
    WITH RECURSIVE part (run_id) AS (
        SELECT ?1
        UNION SELECT continues FROM opening JOIN part USING (run_id) WHERE continues IS NOT NULL
    )
    SELECT blob FROM chunk JOIN part USING (run_id)
    WHERE to_us >= ?2 AND from_us <= ?3 ORDER BY chunk.id
"""

_RUNS: Final = """
    SELECT run_id AS id, opening.utc, simulated, continues,
           coalesce(status, 'open') AS status, coalesce(reason, '') AS reason
    FROM opening LEFT JOIN closing USING (run_id) ORDER BY run_id DESC LIMIT ?
"""


def _open(path: Path) -> sqlite3.Connection:
    if not path.exists():
        raise StoreError(f"{path} does not exist yet: start the recorder, which makes it")
    connection = sqlite3.connect(_uri(path), uri=True, timeout=_BUSY_S)
    connection.row_factory = sqlite3.Row
    try:
        check_ours(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _uri(path: Path) -> str:
    """Give the address: without a write-ahead log nobody writes, and no lock file is needed."""
    still = "" if path.with_name(path.name + "-wal").exists() else "&immutable=1"
    return f"file:{quote(str(path))}?mode=ro{still}"


def _unpacked(blobs: Iterable[bytes]) -> tuple[list[Raw], int]:
    parts, damaged = [], 0
    for blob in blobs:
        try:
            parts.append(unpack(blob))
        except BadChunk:
            damaged += 1
    return parts, damaged
