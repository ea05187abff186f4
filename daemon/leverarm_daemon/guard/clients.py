"""The guard's socket: requests in, replies and the stream of items out. Never blocks, never waits for a client."""

import selectors
import socket
from pathlib import Path
from typing import Final

import msgspec

from leverarm_daemon.errors import BadMessage, RefuseToStart
from leverarm_daemon.guard.memory import Items
from leverarm_daemon.ipc.messages import (
    Committed,
    Follow,
    GuardReply,
    GuardRequest,
    No,
    Start,
    View,
)
from leverarm_daemon.records import GuardView

LONGEST_REQUEST: Final = 65_536
MOST_WAITING: Final = 32_000_000
"""Bytes that may wait for one client: more than two minutes of lines; a slower client is sent away."""
MOST_CLIENTS: Final = 256

_encode = msgspec.json.Encoder().encode
_requests: Final = msgspec.json.Decoder(GuardRequest)


class Client:
    """One connection, with what has come and what must still go."""

    def __init__(self, number: int, sock: socket.socket) -> None:
        self.number = number
        self.sock = sock
        self.following: int | None = None
        self.got = b""
        self.waiting = bytearray()

    def take(self) -> list[bytes]:
        """Give the whole lines that have come; raises BadMessage when the client is gone or talks too much."""
        try:
            data = self.sock.recv(LONGEST_REQUEST)
        except BlockingIOError:
            return []
        except OSError as error:
            raise BadMessage(str(error)) from None
        *lines, self.got = (self.got + data).split(b"\n")
        if not data or len(self.got) > LONGEST_REQUEST:
            raise BadMessage("gone" if not data else "request too long")
        return lines

    def flush(self) -> None:
        """Send what the socket takes; raises BadMessage when the client is gone or far behind."""
        try:
            if self.waiting:
                del self.waiting[: self.sock.send(self.waiting)]
        except BlockingIOError:
            pass
        except OSError as error:
            raise BadMessage(str(error)) from None
        if len(self.waiting) > MOST_WAITING:
            raise BadMessage("too slow")


class Clients:
    """All connections on guard.sock."""

    def __init__(self, path: Path, boot: str, selector: selectors.BaseSelector) -> None:
        self._boot = boot
        self._selector = selector
        self._clients: dict[int, Client] = {}
        self._count = 0
        self._path = path
        self._listener = _listen(path)
        selector.register(self._listener, selectors.EVENT_READ, self)

    def accept(self) -> None:
        """Take a new connection."""
        try:
            sock, _ = self._listener.accept()
        except OSError:
            return
        if len(self._clients) >= MOST_CLIENTS:
            sock.close()
            return
        sock.setblocking(False)
        self._count += 1
        self._clients[self._count] = Client(self._count, sock)
        self._selector.register(sock, selectors.EVENT_READ, self._clients[self._count])

    def requests(self, client: Client, items: Items) -> list[GuardRequest]:
        """Give what the client asks of the guard; following and acknowledging are settled here."""
        wanted: list[GuardRequest] = []
        try:
            for line in client.take():
                if client.number not in self._clients:
                    break
                request = _requests.decode(line)
                if isinstance(request, Follow):
                    self._follow(client, request, items)
                elif isinstance(request, Committed):
                    items.committed(request.n if request.boot == self._boot else 0)
                else:
                    wanted.append(request)
        except BadMessage:
            self._drop(client)
        except msgspec.DecodeError as error:
            self.reply(client.number, No("bad", (f"not understood: {error}",)))
        return wanted

    def _follow(self, client: Client, request: Follow, items: Items) -> None:
        if client.following is not None:
            raise BadMessage("follows already")
        after = request.after if request.boot == self._boot else 0
        client.following = items.last
        client.waiting += _encode(Start(self._boot, after + 1)) + b"\n"
        client.waiting += b"".join(items.after(after))
        self._flush(client)

    def reply(self, number: int, reply: GuardReply) -> None:
        """Answer a client, if it is still there."""
        client = self._clients.get(number)
        if client is not None:
            client.waiting += _encode(reply) + b"\n"
            self._flush(client)

    def spread(self, items: Items, view: GuardView | None) -> None:
        """Send new items, and perhaps a view, to whoever follows; push on what still waits."""
        seen = b"" if view is None else _encode(View(view)) + b"\n"
        for client in list(self._clients.values()):
            if client.following is not None:
                if client.following < items.last:
                    client.waiting += b"".join(items.after(client.following))
                    client.following = items.last
                client.waiting += seen
            self._flush(client)

    def followed(self) -> bool:
        """Tell whether anyone follows the stream and keeps up with it."""
        return any(client.following is not None and not client.waiting for client in self._clients.values())

    def _flush(self, client: Client) -> None:
        try:
            client.flush()
        except BadMessage:
            self._drop(client)

    def _drop(self, client: Client) -> None:
        if self._clients.pop(client.number, None) is not None:
            self._selector.unregister(client.sock)
            client.sock.close()

    def close(self) -> None:
        """Close everything."""
        for client in list(self._clients.values()):
            self._drop(client)
        self._selector.unregister(self._listener)
        self._listener.close()
        self._path.unlink(missing_ok=True)


def _listen(path: Path) -> socket.socket:
    """Open the socket; a second guard on the same folder is refused, a dead one's socket is replaced."""
    with socket.socket(socket.AF_UNIX) as probe:
        if path.exists() and probe.connect_ex(str(path)) == 0:
            raise RefuseToStart(f"{path}: another guard runs on this folder. Stop it first")
    path.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(path))
    path.chmod(0o660)
    listener.listen(64)
    listener.setblocking(False)
    return listener
