"""One question, one answer over a local socket, without asyncio: for the command line and the simulators."""

import socket
from pathlib import Path
from typing import Final, TypeVar

import msgspec

from leverarm_daemon.errors import BadMessage, PeerGone
from leverarm_daemon.ipc.messages import GuardReply, GuardRequest, RecorderReply, RecorderRequest

LONGEST: Final = 1_000_000

T = TypeVar("T")

_encode = msgspec.json.Encoder().encode
_guard_reply: Final[msgspec.json.Decoder[GuardReply]] = msgspec.json.Decoder(GuardReply)
_recorder_reply: Final[msgspec.json.Decoder[RecorderReply]] = msgspec.json.Decoder(RecorderReply)


def ask_guard(path: Path, request: GuardRequest, timeout_s: float = 2.0) -> GuardReply:
    """Ask the guard; raises PeerGone when it does not answer in time, BadMessage."""
    return _decoded(path, _guard_reply, _exchange(path, _encode(request), timeout_s))


def ask_recorder(path: Path, request: RecorderRequest, timeout_s: float = 2.0) -> RecorderReply:
    """Ask the recorder; raises PeerGone when it does not answer in time, BadMessage."""
    return _decoded(path, _recorder_reply, _exchange(path, _encode(request), timeout_s))


def _decoded(path: Path, decoder: "msgspec.json.Decoder[T]", answer: bytes) -> T:
    try:
        return decoder.decode(answer)
    except msgspec.MsgspecError as error:
        raise BadMessage(f"{path.name}: not understood: {error}. Do both sides have the same version?") from None


def _exchange(path: Path, request: bytes, timeout_s: float) -> bytes:
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
            sock.settimeout(timeout_s)
            sock.connect(str(path))
            sock.sendall(request + b"\n")
            with sock.makefile("rb") as answers:
                answer = answers.readline(LONGEST)
    except OSError as error:
        raise PeerGone(f"{path.name}: {error.strerror or error}") from None
    if not answer.endswith(b"\n"):
        raise PeerGone(f"{path.name}: no answer")
    return answer
