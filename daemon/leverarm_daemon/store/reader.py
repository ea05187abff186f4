"""Reading the store, while it is written or not: read-only, and only what is committed."""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Final, Self
from urllib.parse import quote

import msgspec

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import NotFound, StoreError
from leverarm_daemon.records import Build, Pull, Record, Trip
from leverarm_daemon.store.changes import Event
from leverarm_daemon.store.chunks import BadChunk, Raw, between, join, unpack
from leverarm_daemon.store.file import check_ours
from leverarm_daemon.store.rows import curve_from_blob, pull_from_row, trip_from_row

_BUSY_S: Final = 2.0

MARGIN_US: Final = 3_000_000
"""Raw data of a pull begin so much before its first point and end so much after its last: a point is the
mean over cycles on both sides of its time, and speed is taken from the turns around them."""


class RawPull(Record):
    """What a pull was made of, enough to work it out anew: raw data, stand and build as they were then.

    The raw data reach MARGIN_US beyond the pull at both ends, where there are any. `build` is None
    when none was known. `damaged`: seconds lost.
    """

    pull: Pull
    stand: StandFile
    build: Build | None
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
            _PULLS + "WHERE ?1 IS NULL OR build = ?1 ORDER BY id DESC LIMIT ?2",
            (build, limit),
        )
        return [pull_from_row(row) for row in rows]

    def builds(self) -> list[str]:
        """Give the names of the builds that have pulls, that of the newest kept pull first."""
        rows = self._connection.execute("SELECT build FROM pull_now GROUP BY build ORDER BY MAX(kept * id) DESC")
        return [row["build"] for row in rows]

    def kept(self, build: str) -> list[Pull]:
        """Give all kept pulls of a build, however many, newest first, without their curves."""
        rows = self._connection.execute(_PULLS + "WHERE kept AND build = ? ORDER BY id DESC", (build,))
        return [pull_from_row(row) for row in rows]

    def pull(self, pull_id: int) -> Pull:
        """Give a pull with its curve; raises NotFound."""
        row = self._one(_PULLS + "WHERE id = ?", pull_id, "pull")
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
        """Give a pull's raw data, and what else it was worked out from; raises NotFound."""
        pull = self.pull(pull_id)
        opening = self._one("SELECT stand, build FROM opening WHERE run_id = ?", pull.run_id, "run")
        stand = msgspec.json.decode(opening["stand"], type=StandFile)
        build = next(self._builds(pull, opening["build"]), None)
        from_us, to_us = pull.started_us - MARGIN_US, pull.ended_us + MARGIN_US
        return RawPull(pull, stand, build, *self.raw_between(pull.run_id, from_us, to_us))

    def _builds(self, pull: Pull, at_opening: str | None) -> Iterator[Build]:
        """Give the builds of the pull's name that were selected before it, the newest first."""
        rows = self._connection.execute(_SELECTED, (pull.run_id, pull.started_us))
        bodies = [f'{{"build":{at_opening or "null"}}}', *(row["body"] for row in rows)]
        for body in reversed(bodies):
            with suppress(msgspec.MsgspecError):
                build = msgspec.json.decode(body, type=_Selected).build
                if build is not None and build.name == pull.build:
                    yield build

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


class _Selected(msgspec.Struct):
    """What the guard told of a selection, as far as it matters here."""

    build: Build | None


_PULLS: Final = """
    SELECT *, (
        SELECT why FROM pull_change WHERE pull_id = pull_now.id ORDER BY pull_change.id DESC LIMIT 1
    ) AS why FROM pull_now
"""

_PARTS: Final = """
    WITH RECURSIVE part (run_id) AS (
        SELECT ?1
        UNION SELECT continues FROM opening JOIN part USING (run_id) WHERE continues IS NOT NULL
    )
"""

_CHUNKS: Final = _PARTS + """
    SELECT blob FROM chunk JOIN part USING (run_id)
    WHERE to_us >= ?2 AND from_us <= ?3 ORDER BY chunk.id
"""  # noqa: S608 (both texts are ours)

_SELECTED: Final = _PARTS + """
    SELECT body FROM event JOIN part USING (run_id)
    WHERE kind = 'select' AND n <= (
        SELECT last_n FROM chunk JOIN part USING (run_id) WHERE to_us >= ?2 ORDER BY chunk.id LIMIT 1
    )
    ORDER BY n
"""  # noqa: S608 (both texts are ours)

_RUNS: Final = """
    SELECT run_id AS id, opening.utc, simulated, continues,
           coalesce(status, 'open') AS status, coalesce(reason, '') AS reason
    FROM opening LEFT JOIN closing USING (run_id) ORDER BY run_id DESC LIMIT ?
"""


def _open(path: Path) -> sqlite3.Connection:
    if not path.exists():
        raise StoreError(f"{path} does not exist yet: start the recorder, which makes it")
    try:
        return _connected(path, "mode=ro")
    except sqlite3.OperationalError:
        if path.with_name(path.name + "-wal").exists():
            raise
    # Where no file may be made beside the store, and nobody writes it, SQLite must be told so.
    return _connected(path, "mode=ro&immutable=1")


def _connected(path: Path, how: str) -> sqlite3.Connection:
    connection = sqlite3.connect(f"file:{quote(str(path))}?{how}", uri=True, timeout=_BUSY_S)
    connection.row_factory = sqlite3.Row
    try:
        check_ours(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _unpacked(blobs: Iterable[bytes]) -> tuple[list[Raw], int]:
    parts, damaged = [], 0
    for blob in blobs:
        try:
            parts.append(unpack(blob))
        except BadChunk:
            damaged += 1
    return parts, damaged
