"""The store's file: opened for writing, checked, brought to the present schema."""

import sqlite3
from importlib.resources import files
from pathlib import Path
from typing import Final

from leverarm_daemon.errors import StoreError

SCHEMA: Final = 1
"""The number of the newest `schema_vN.sql`; each brings a file of version N - 1 to version N."""

APPLICATION_ID: Final = 0x4C415231
"""Marks the file as ours ("LAR1" in SQLite's header)."""

_BUSY_S: Final = 2.0


def open_for_writing(path: Path) -> sqlite3.Connection:
    """Open or make the store; raises StoreError for a file that is not ours or newer than we are.

    Every commit waits until the data lie on the medium (WAL, synchronous=FULL). Other troubles
    (disk full, no rights) are sqlite3.Error: they may pass.
    """
    connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
    try:
        _check(connection, path)
        _prepare(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def check_ours(connection: sqlite3.Connection, path: Path) -> int:
    """Give the schema's number; raises StoreError when the file is not ours or too new."""
    try:
        version, application = (
            _number(connection, "user_version"),
            _number(connection, "application_id"),
        )
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorname == "SQLITE_NOTADB":
            raise StoreError(_FOREIGN.format(path=path, what="is no database")) from error
        raise
    if application != APPLICATION_ID:
        raise StoreError(_FOREIGN.format(path=path, what="belongs to another program"))
    if version > SCHEMA:
        raise StoreError(_NEWER.format(path=path, version=version, schema=SCHEMA))
    return version


_FOREIGN: Final = (
    "{path} {what}. Move it away, or set state_dir in the stand file to another folder."
)
_NEWER: Final = (
    "{path} was written by a newer version of this program "
    "(schema {version}, this one knows {schema}). "
    "Install that version again, or set state_dir in the stand file to another folder."
)


def _check(connection: sqlite3.Connection, path: Path) -> None:
    """Let an empty file pass, or one of ours."""
    if path.stat().st_size > 0:
        check_ours(connection, path)


def _prepare(connection: sqlite3.Connection) -> None:
    mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
    if mode != "wal":
        raise sqlite3.OperationalError(f"write-ahead log refused (journal mode stays {mode})")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")
    for version in range(_number(connection, "user_version") + 1, SCHEMA + 1):
        _bring_to(connection, version)


def _bring_to(connection: sqlite3.Connection, version: int) -> None:
    """Apply one schema file in one transaction, so that a power cut leaves the old one whole."""
    script = files(__package__).joinpath(f"schema_v{version}.sql").read_text("utf-8")
    marks = f"PRAGMA application_id={APPLICATION_ID}; PRAGMA user_version={version};"
    try:
        connection.executescript(f"BEGIN IMMEDIATE; {script}; {marks} COMMIT;")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])
