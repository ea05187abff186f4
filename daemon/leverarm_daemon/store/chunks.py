"""One second of raw data as one blob, and back. Pure.

A blob is the CRC-32 of the rest (4 bytes, little endian), then zlib at level 1 over columns one
after another: name (length byte, ASCII), kind (one byte), number of bytes (u32), data. A column of
whole numbers (kind "i" or "q") is its first value as i64, then the differences as i32 or, where one
is too big for that, i64. A column of kind "t" is JSON text. Differences of whole numbers deflate to
one or two bytes a value.
"""

import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise
from typing import Final

import msgspec

from leverarm_daemon.errors import CountAndSkip
from leverarm_daemon.records import Record

CELSIUS_STEP: Final = 0.01
_HEAD: Final = struct.Struct("<cI")
_INT32_MAX: Final = 2**31 - 1


class BadChunk(CountAndSkip):
    """A blob whose checksum or layout is wrong."""


class Raw(Record):
    """Raw data of some stretch of time, in the order in which it came; times in device_us.

    Edges carry the front end's count of edges; a load of None is a conversion that failed; a
    temperature is in degrees Celsius, or the name of a fault; `marks` tell state and inputs
    whenever they changed.
    """

    edges: tuple[tuple[int, int], ...] = ()
    loads: tuple[tuple[int, int | None], ...] = ()
    temps: tuple[tuple[int, str, float | str], ...] = ()
    marks: tuple[tuple[int, str], ...] = ()


def pack(raw: Raw) -> bytes:
    """Make the blob of a stretch of raw data."""
    numbers, texts = _number_columns(raw), _text_columns(raw)
    parts = [_column(name, *_packed(values)) for name, values in numbers.items()]
    parts += [_column(name, b"t", msgspec.json.encode(values)) for name, values in texts.items()]
    body = zlib.compress(b"".join(parts), 1)
    return zlib.crc32(body).to_bytes(4, "little") + body


def unpack(blob: bytes) -> Raw:
    """Give the raw data of a blob; raises BadChunk when it is damaged."""
    body = blob[4:]
    if zlib.crc32(body) != int.from_bytes(blob[:4], "little"):
        raise BadChunk("checksum differs: the blob is damaged")
    try:
        columns = _columns(zlib.decompress(body))
        return _raw(columns)
    except (
        zlib.error,
        struct.error,
        KeyError,
        ValueError,
        IndexError,
        msgspec.MsgspecError,
    ) as error:
        raise BadChunk(f"layout not understood: {error}") from error


def join(parts: Iterable[Raw]) -> Raw:
    """Give several stretches as one."""
    parts = tuple(parts)
    return Raw(
        edges=tuple(row for part in parts for row in part.edges),
        loads=tuple(row for part in parts for row in part.loads),
        temps=tuple(row for part in parts for row in part.temps),
        marks=tuple(row for part in parts for row in part.marks),
    )


def between(raw: Raw, from_us: int, to_us: int) -> Raw:
    """Give what lies from `from_us` to `to_us`, both included."""
    return Raw(
        edges=tuple(row for row in raw.edges if from_us <= row[0] <= to_us),
        loads=tuple(row for row in raw.loads if from_us <= row[0] <= to_us),
        temps=tuple(row for row in raw.temps if from_us <= row[0] <= to_us),
        marks=tuple(row for row in raw.marks if from_us <= row[0] <= to_us),
    )


def _number_columns(raw: Raw) -> dict[str, Sequence[int]]:
    """Give the columns of whole numbers; failed conversions and faults are told by their place."""
    return {
        "edge_us": [us for us, _ in raw.edges],
        "edge_count": [count for _, count in raw.edges],
        "load_us": [us for us, _ in raw.loads],
        "load_count": [0 if count is None else count for _, count in raw.loads],
        "load_failed": [at for at, (_, count) in enumerate(raw.loads) if count is None],
        "temp_us": [us for us, _, _ in raw.temps],
        "temp_step": [_steps(reading) for _, _, reading in raw.temps],
        "mark_us": [us for us, _ in raw.marks],
    }


def _text_columns(raw: Raw) -> dict[str, object]:
    return {
        "temp_name": [name for _, name, _ in raw.temps],
        "temp_fault": {
            str(at): reading
            for at, (_, _, reading) in enumerate(raw.temps)
            if isinstance(reading, str)
        },
        "mark": [mark for _, mark in raw.marks],
    }


def _steps(reading: float | str) -> int:
    return 0 if isinstance(reading, str) else round(reading / CELSIUS_STEP)


def _packed(values: Sequence[int]) -> tuple[bytes, bytes]:
    """Give kind and bytes of a column of whole numbers."""
    if not values:
        return b"i", b""
    steps = [after - before for before, after in pairwise(values)]
    kind = "q" if any(abs(step) > _INT32_MAX for step in steps) else "i"
    return kind.encode(), struct.pack("<q", values[0]) + _little(array(kind, steps)).tobytes()


def _unpacked(kind: str, data: bytes) -> list[int]:
    if not data:
        return []
    steps = array(kind)
    steps.frombytes(data[8:])
    return list(accumulate(_little(steps), initial=struct.unpack("<q", data[:8])[0]))


def _little(values: "array[int]") -> "array[int]":
    """Give the array in little-endian order, whatever this machine's own is."""
    if sys.byteorder == "big":
        values.byteswap()
    return values


def _column(name: str, kind: bytes, data: bytes) -> bytes:
    return bytes([len(name)]) + name.encode("ascii") + _HEAD.pack(kind, len(data)) + data


def _columns(body: bytes) -> dict[str, tuple[str, bytes]]:
    """Cut the body into its columns."""
    columns, at = {}, 0
    while at < len(body):
        start = at + 1 + body[at]
        kind, size = _HEAD.unpack_from(body, start)
        data = start + _HEAD.size
        columns[body[at + 1 : start].decode("ascii")] = (
            kind.decode("ascii"),
            body[data : data + size],
        )
        at = data + size
    return columns


def _raw(columns: dict[str, tuple[str, bytes]]) -> Raw:
    """Put the columns together again."""
    numbers = {name: _unpacked(kind, data) for name, (kind, data) in columns.items() if kind != "t"}
    failed = set(numbers["load_failed"])
    counts = [None if at in failed else count for at, count in enumerate(numbers["load_count"])]
    marks = msgspec.json.decode(columns["mark"][1], type=list[str])
    return Raw(
        edges=tuple(zip(numbers["edge_us"], numbers["edge_count"], strict=True)),
        loads=tuple(zip(numbers["load_us"], counts, strict=True)),
        temps=_temps(numbers, columns),
        marks=tuple(zip(numbers["mark_us"], marks, strict=True)),
    )


def _temps(
    numbers: dict[str, list[int]], columns: dict[str, tuple[str, bytes]]
) -> tuple[tuple[int, str, float | str], ...]:
    names = msgspec.json.decode(columns["temp_name"][1], type=list[str])
    faults = msgspec.json.decode(columns["temp_fault"][1], type=dict[int, str])
    readings = [
        faults.get(at, round(step * CELSIUS_STEP, 2))
        for at, step in enumerate(numbers["temp_step"])
    ]
    return tuple(zip(numbers["temp_us"], names, readings, strict=True))
