"""Changes as rows, inside a transaction that somebody else opened; and rows as records."""

import sqlite3
import zlib
from typing import Final

import msgspec

from leverarm_daemon.errors import NotFound, StoreError
from leverarm_daemon.records import CurvePoint, Pull, Trip
from leverarm_daemon.store.changes import (
    Batch,
    Change,
    Chunk,
    Closing,
    Event,
    KeepChange,
    Opening,
    Progress,
    Saved,
)

NO_CLOSING: Final = "no closing"
"""The reason of a run that nobody closed: the recorder died, or the power failed."""


def save(connection: sqlite3.Connection, run_id: int | None, change: Change) -> Saved:
    """Write one change into the open run `run_id`; raises NotFound, or StoreError without a run."""
    if isinstance(change, Opening):
        return _open_run(connection, change)
    if isinstance(change, KeepChange):
        return _keep(connection, run_id, change)
    if run_id is None:
        raise StoreError("nothing can be stored before a run is opened")
    if isinstance(change, Closing):
        pulls = tuple(_save_pull(connection, run_id, pull) for pull in change.pulls)
        _close_run(connection, run_id, change)
        return Saved(run_id, pulls)
    return _save_batch(connection, run_id, change)


def load_progress(connection: sqlite3.Connection) -> Progress | None:
    """Give how far the guard's items are stored, or None for a new store."""
    row = connection.execute("SELECT body FROM progress").fetchone()
    return None if row is None else msgspec.json.decode(row[0], type=Progress)


def pull_from_row(row: sqlite3.Row, curve: tuple[CurvePoint, ...] = ()) -> Pull:
    """Give a pull of the view `pull_now`, with what people changed, and why (the column `why`)."""
    pull = msgspec.json.decode(row["body"], type=Pull)
    return msgspec.structs.replace(
        pull, id=row["id"], run_id=row["run_id"], kept=bool(row["kept"]), curve=curve, kept_why=row["why"] or ""
    )


def curve_from_blob(blob: bytes) -> tuple[CurvePoint, ...]:
    """Give a stored curve."""
    return msgspec.json.decode(zlib.decompress(blob), type=tuple[CurvePoint, ...])


def trip_from_row(row: sqlite3.Row) -> Trip:
    """Give a trip."""
    trip = msgspec.json.decode(row["body"], type=Trip)
    return msgspec.structs.replace(trip, id=row["id"], run_id=row["run_id"])


def _open_run(connection: sqlite3.Connection, opening: Opening) -> Saved:
    for run_id in _runs_left_open(connection):
        _close_run(connection, run_id, Closing(opening.utc, "failed", NO_CLOSING))
    continues = _newest_run(connection, opening.boot) if opening.continues else None
    values = (
        opening.utc, opening.boot, opening.version, opening.firmware, opening.simulated,
        continues, opening.stand, opening.build,
    )  # fmt: skip
    run_id = _insert(
        connection,
        "opening (utc, boot, version, firmware, simulated, continues, stand, build)",
        values,
    )
    for channel in opening.channels:
        _insert(
            connection,
            "channel (run_id, name, unit, source, step, high)",
            (run_id, channel.name, channel.unit, channel.source, channel.step, channel.high),
        )
    return Saved(run_id)


def _newest_run(connection: sqlite3.Connection, boot: str) -> int | None:
    row = connection.execute("SELECT max(run_id) FROM opening WHERE boot = ?", (boot,)).fetchone()
    return None if row is None else row[0]


def _runs_left_open(connection: sqlite3.Connection) -> list[int]:
    rows = connection.execute(
        "SELECT run_id FROM opening WHERE run_id NOT IN (SELECT run_id FROM closing) ORDER BY 1"
    )
    return [row[0] for row in rows]


def _close_run(connection: sqlite3.Connection, run_id: int, closing: Closing) -> None:
    counts = tuple(_count(connection, table, run_id) for table in ("chunk", "pull", "trip"))
    _insert(
        connection,
        "closing (run_id, utc, status, reason, chunks, pulls, trips)",
        (run_id, closing.utc, closing.status, closing.reason, *counts),
    )


def _count(connection: sqlite3.Connection, table: str, run_id: int) -> int:
    sql = f"SELECT count(*) FROM {table} WHERE run_id = ?"  # noqa: S608 (names are ours)
    return int(connection.execute(sql, (run_id,)).fetchone()[0])


def _save_batch(connection: sqlite3.Connection, run_id: int, batch: Batch) -> Saved:
    """Store a batch, unless it is there: a COMMIT that failed may have reached the disk."""
    stored = load_progress(connection)
    if stored and stored.boot == batch.progress.boot and stored.n >= batch.progress.n:
        return Saved(run_id)
    if batch.chunk is not None:
        _save_chunk(connection, run_id, batch.chunk)
    for event in batch.events:
        _save_event(connection, run_id, event)
    pulls = tuple(_save_pull(connection, run_id, pull) for pull in batch.pulls)
    trips = tuple(_save_trip(connection, run_id, trip) for trip in batch.trips)
    connection.execute(
        "INSERT INTO progress (only, body) VALUES (1, ?) "
        "ON CONFLICT (only) DO UPDATE SET body = excluded.body",
        (msgspec.json.encode(batch.progress).decode(),),
    )
    return Saved(run_id, pulls, trips)


def _save_chunk(connection: sqlite3.Connection, run_id: int, chunk: Chunk) -> None:
    _insert(
        connection,
        "chunk (run_id, first_n, last_n, from_us, to_us, blob)",
        (run_id, chunk.first_n, chunk.last_n, chunk.from_us, chunk.to_us, chunk.blob),
    )


def _save_event(connection: sqlite3.Connection, run_id: int, event: Event) -> None:
    values = (run_id, event.n, event.utc, event.kind, event.body)
    _insert(connection, "event (run_id, n, utc, kind, body)", values)


def _save_pull(connection: sqlite3.Connection, run_id: int, pull: Pull) -> int:
    body = msgspec.json.encode(msgspec.structs.replace(pull, curve=())).decode()
    curve = zlib.compress(msgspec.json.encode(pull.curve), 1)
    return _insert(
        connection,
        "pull (run_id, build, started_us, ended_us, kept, body, curve)",
        (run_id, pull.build, pull.started_us, pull.ended_us, pull.kept, body, curve),
    )


def _save_trip(connection: sqlite3.Connection, run_id: int, trip: Trip) -> int:
    values = (run_id, trip.device_us, msgspec.json.encode(trip).decode())
    return _insert(connection, "trip (run_id, device_us, body)", values)


def _keep(connection: sqlite3.Connection, run_id: int | None, change: KeepChange) -> Saved:
    if connection.execute("SELECT 1 FROM pull WHERE id = ?", (change.pull,)).fetchone() is None:
        raise NotFound(f"there is no pull {change.pull}")
    values = (change.pull, change.utc, change.who, change.kept, change.why)
    _insert(connection, "pull_change (pull_id, utc, who, kept, why)", values)
    return Saved(run_id)


def _insert(connection: sqlite3.Connection, into: str, values: tuple[object, ...]) -> int:
    """Insert one row into `table (columns)`; gives its row id."""
    marks = ", ".join("?" * len(values))
    cursor = connection.execute(f"INSERT INTO {into} VALUES ({marks})", values)  # noqa: S608
    return int(cursor.lastrowid or 0)
