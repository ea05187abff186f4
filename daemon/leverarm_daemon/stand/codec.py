"""The stand link, version 1: lines to frames and back. No I/O; PROTOCOL.md is the reference.

A line is `kind seq fields *crc32`. `unseal` checks and strips the CRC, `Decoder` turns what is left into
a frame and unwraps the device clock, `encode` makes the host's lines.
"""

import binascii
from collections.abc import Callable
from typing import Final

from msgspec.structs import replace

from leverarm_daemon.errors import BadLine
from leverarm_daemon.records import (
    Answer,
    CauseSeen,
    Command,
    Edge,
    Frame,
    Hello,
    HostFrame,
    Limits,
    Load,
    Reply,
    Status,
    Temps,
)

VERSION: Final = 1
SEQ_MODULUS: Final = 1_000_000
MAX_LINE: Final = 512
"""Longest line in bytes, line end included."""

TEMP_FAULTS: Final = ("open", "short", "range", "stale")


def seal(body: str) -> str:
    """Append the CRC-32 of the body; the line end is not added."""
    return f"{body} *{binascii.crc32(body.encode('ascii')):08x}"


def unseal(line: bytes) -> str:
    """Give the body of a line without its CRC and line end; raises BadLine."""
    if len(line) > MAX_LINE:
        raise BadLine("longer than 512 bytes")
    body, mark, check = line.rstrip(b"\r\n").rpartition(b" *")
    if not mark or len(check) != 8 or f"{binascii.crc32(body):08x}".encode() != check:
        raise BadLine("CRC does not match")
    try:
        return body.decode("ascii")
    except UnicodeDecodeError:
        raise BadLine("not ASCII") from None


def _whole(text: str, most: int = 2**62) -> int:
    """Read a decimal number without sign, as the link writes them."""
    if not text.isascii() or not text.isdigit() or len(text) > 19:
        raise BadLine(f"not a whole number: {text[:24]!r}")
    number = int(text)
    if number > most:
        raise BadLine(f"out of range: {text}")
    return number


def _signed(text: str) -> int:
    """Read a decimal number that may carry a minus."""
    return -_whole(text[1:]) if text.startswith("-") else _whole(text)


def _decimal(text: str) -> float:
    """Read a plain decimal such as 80 or 0.5."""
    whole, _, part = text.partition(".")
    return _whole(whole) + (_whole(part) / 10 ** len(part) if part else 0.0)


def _pairs(words: list[str]) -> dict[str, str]:
    """Read name=value words; later versions may add names, so unknown ones stay in unused."""
    pairs: dict[str, str] = {}
    for word in words:
        name, mark, value = word.partition("=")
        if not mark or name in pairs:
            raise BadLine(f"not name=value: {word[:24]!r}")
        pairs[name] = value
    return pairs


def _names(text: str) -> tuple[str, ...]:
    """Read a comma-separated list; a lone minus is an empty one."""
    return () if text == "-" else tuple(text.split(","))


def _hello(seq: int, us: int, words: list[str]) -> Hello:
    p = _pairs(words)
    version = _whole(p["v"])
    if version != VERSION:              # nothing else is known of another version; the guard refuses it by its number
        reset, simulated = p.get("reset", "-").strip("-"), p.get("sim") == "1"
        return Hello(seq, us, version, p.get("stand", ""), p.get("fw", ""), 30, 1.0, 0.0, (), (), (), reset, simulated)
    if _whole(p["wrap"], 62) < 20:
        raise BadLine("a clock of fewer than 20 bits cannot be unwrapped")
    return Hello(
        seq, us, version, p["stand"], p["fw"], _whole(p["wrap"], 62), _decimal(p["ppr"]), _decimal(p["load"]),
        _names(p["temps"]), _names(p["inputs"]), _names(p["outputs"]), p["reset"].strip("-"),
        p["sim"] == "1",
    )


def _edge(seq: int, us: int, words: list[str]) -> Edge:
    (count,) = words
    return Edge(seq, us, _whole(count))


def _load(seq: int, us: int, words: list[str]) -> Load:
    counts = tuple(None if word == "!" else _signed(word) for word in words[1:])
    if not counts:
        raise BadLine("load line without counts")
    return Load(seq, us, _whole(words[0], 10_000_000), counts)


def _reading(text: str) -> float | str:
    if text.startswith("!"):
        if text[1:] not in TEMP_FAULTS:
            raise BadLine(f"unknown probe fault: {text[:24]!r}")
        return text[1:]
    return _signed(text) / 100.0


def _temps(seq: int, us: int, words: list[str]) -> Temps:
    return Temps(seq, us, tuple((name, _reading(text)) for name, text in _pairs(words).items()))


def _status(seq: int, us: int, words: list[str]) -> Status:
    p = _pairs(words)
    return Status(
        seq, us, p["st"], None if p["why"] == "-" else p["why"], frozenset(_names(p["in"])),
        frozenset(_names(p["out"])), int(p["lim"], 16), None if p["ack"] == "-" else _whole(p["ack"]),
        _whole(p["age"]), _whole(p["n"]), _whole(p["odd"]),
    )


def _cause(seq: int, us: int, words: list[str]) -> CauseSeen:
    p = _pairs(words)
    return CauseSeen(
        seq, us, p["why"], _whole(p["order"]), _whole(p["at"]), _signed(p["value"]), _signed(p["limit"])
    )


def _reply(seq: int, us: int, words: list[str]) -> Reply:
    to, verdict, *rest = words
    return Reply(seq, us, _whole(to), {"yes": True, "no": False}[verdict], rest[0] if rest else "")


_UP: Final[dict[str, Callable[[int, int, list[str]], Frame]]] = {
    "H": _hello, "E": _edge, "L": _load, "T": _temps, "S": _status, "X": _cause, "R": _reply,
}


def _limits(words: list[str]) -> tuple[tuple[str, int], ...]:
    return tuple((name, _whole(value)) for name, value in _pairs(words).items())


def _body(frame: HostFrame) -> str:
    match frame:
        case Answer():
            return f"a {frame.seq} {frame.ack} {frame.say}"
        case Command():
            return f"c {frame.seq} {frame.word}"
        case Limits():
            return f"l {frame.seq} {frame.text()}"


def encode(frame: HostFrame) -> bytes:
    """Make the line of a host frame, CRC and line end included."""
    return (seal(_body(frame)) + "\n").encode("ascii")


def decode_host(line: bytes) -> HostFrame:
    """Read a line of the host, as a front end would; raises BadLine. For simulators and tests."""
    kind, seq, *words = unseal(line).split(" ")
    try:
        match kind, words:
            case "a", [ack, say]:
                return Answer(_whole(seq), _whole(ack), say)
            case "c", [word]:
                return Command(_whole(seq), word)
            case "l", words:
                return Limits(_whole(seq), _limits(words))
    except (KeyError, ValueError) as error:
        raise BadLine(str(error)) from None
    raise BadLine(f"unknown line: {kind[:8]!r}")


class Decoder:
    """Bodies of front-end lines to frames, with the device clock unwrapped to 64 bits.

    Lines lost on the way show as jumps of the sequence number and are counted in `lost`.
    """

    def __init__(self) -> None:
        self.lost = 0
        self._wrap_bits = 30
        self._last_us: int | None = None
        self._last_seq: int | None = None

    def decode(self, body: str, near_us: int | None = None) -> Frame:
        """Give the frame of an unsealed line; raises BadLine.

        `near_us` is the line's device time where somebody already unwrapped it.
        """
        words = body.split(" ")
        if len(words) < 3 or words[0] not in _UP:
            raise BadLine(f"unknown line: {body[:24]!r}")
        seq = _whole(words[1], SEQ_MODULUS - 1)
        raw_us = _whole(words[2])
        try:
            us = raw_us if words[0] == "H" else self._unwrap(raw_us, near_us)
            frame = _UP[words[0]](seq, us, words[3:])
        except (KeyError, ValueError, IndexError) as error:
            raise BadLine(f"{words[0]} line: {error!r}") from None
        return self._accept(frame, raw_us, near_us)

    def _accept(self, frame: Frame, raw_us: int, near_us: int | None) -> Frame:
        if isinstance(frame, Hello):
            frame = self._greet(frame, raw_us, near_us)
        elif isinstance(frame, CauseSeen):
            frame = replace(frame, at_us=self._nearest(frame.at_us, frame.device_us))
        if self._last_seq is not None:
            self.lost += (frame.seq - self._last_seq - 1) % SEQ_MODULUS
        self._last_seq = frame.seq
        self._last_us = frame.device_us
        return frame

    def _greet(self, hello: Hello, raw_us: int, near_us: int | None) -> Hello:
        """Take over the clock's width; after a restart the clock is moved on so that time never runs back."""
        self._wrap_bits = hello.wrap_bits
        if not hello.reset:
            return replace(hello, device_us=self._unwrap(raw_us, near_us))
        self._last_seq = None
        if near_us is not None or self._last_us is None:
            return replace(hello, device_us=raw_us if near_us is None else near_us)
        ahead = (raw_us - self._last_us) % (1 << self._wrap_bits)
        return replace(hello, device_us=self._last_us + ahead)

    def _unwrap(self, raw_us: int, near_us: int | None) -> int:
        near = near_us if near_us is not None else self._last_us
        return raw_us if near is None else self._nearest(raw_us, near)

    def _nearest(self, raw_us: int, near_us: int) -> int:
        """Give the time that shows as `raw_us` on a wrapping clock and lies nearest to `near_us`."""
        period = 1 << self._wrap_bits
        ahead = (raw_us - near_us) % period
        return near_us + (ahead if ahead < period // 2 else ahead - period)



class Lines:
    """Bytes to lines. A line longer than allowed is thrown away up to its end and counted in `overlong`."""

    def __init__(self, longest: int = MAX_LINE) -> None:
        self.overlong = 0
        self._longest = longest
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Give the lines that are whole now, without their line ends."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        if lines and self._skipping:
            self._skipping = False
            del lines[0]
        kept = [line for line in lines if len(line) < self._longest]
        self.overlong += len(lines) - len(kept)
        if len(self._rest) > self._longest:
            self._rest = b""
            self.overlong += not self._skipping
            self._skipping = True
        return kept
