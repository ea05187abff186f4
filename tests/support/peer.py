"""A peer at the other end of the stand link that only keeps time: status lines out, answers in, each answer timed."""

import math
import os
import pty
import select
import threading
import time
import tty
from collections import deque
from pathlib import Path
from types import TracebackType
from typing import Self

from leverarm_daemon.stand.codec import seal

HELLO = (
    "v=1 stand=village-pump-shop fw=1 wrap=30 ppr=1 load=0 temps=head inputs=loop,shield outputs=run,fuel "
    "reset=- sim=1"
)

LATEST_S = 2.0
KEPT = 20_000
"""Statuses that are remembered, for as long as somebody may still ask."""

Block = tuple[int, int]
"""Begin and end, in ns of the monotonic clock."""


class Peer:
    """Sends `rate` status lines a second from a thread of its own, with every fourth an edge, and times the answers."""

    def __init__(self, link: Path, rate: float) -> None:
        self._rate = rate
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))
        self._sent: deque[int] = deque(maxlen=KEPT)
        self._sent_ns: dict[int, int] = {}
        self._answered: dict[int, int] = {}
        self._seq = self._edges = 0
        self._rest = b""
        self._running = True
        self._thread = threading.Thread(target=self._run, name="peer")

    @property
    def edges(self) -> int:
        """How many edges were sent."""
        return self._edges

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._running = False
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    def block(self, seconds: float) -> Block:
        """Let time pass, and give the block of time that it was."""
        began_ns = time.monotonic_ns()
        time.sleep(seconds)
        return began_ns, time.monotonic_ns()

    def answers_ms(self, block: Block) -> list[float]:
        """Give the times from status to answer of the statuses sent in a block; infinite: no answer within LATEST_S."""
        sent_ns = [sent for sent in self._sent.copy() if block[0] <= sent < block[1]]
        until_s = time.monotonic() + LATEST_S
        while any(sent not in self._answered for sent in sent_ns) and time.monotonic() < until_s:
            time.sleep(0.005)
        return [(self._answered[sent] - sent) / 1e6 if sent in self._answered else math.inf for sent in sent_ns]

    def _write(self, kind: str, fields: str) -> None:
        """Write a line; a guard that reads too late is waited for, and its answer's time runs all the same."""
        seq, now_ns = self._seq, time.monotonic_ns()
        line = seal(f"{kind} {seq} {now_ns // 1000 % 2**30} {fields}").encode() + b"\n"
        if kind == "S":
            self._sent_ns[seq] = now_ns
            self._sent.append(now_ns)
        self._seq = (seq + 1) % 1_000_000
        while line and self._running:
            if select.select([], [self._master], [], 0.1)[1]:
                line = line[os.write(self._master, line):]

    def _run(self) -> None:
        self._write("H", HELLO)
        due = time.monotonic()
        while self._running:
            due = max(due + 1.0 / self._rate, time.monotonic())     # what a stall has cost is not made up for
            if self._seq % 5 == 0:          # five lines: an edge, four statuses
                self._edges += 1
                self._write("E", str(self._edges))
            status = f"st=held why=- in=loop,shield out=- lim=00000000 ack=- age=9999 n={self._edges} odd=0"
            self._write("S", status)
            while (left := due - time.monotonic()) > 0:
                if select.select([self._master], [], [], left)[0]:
                    self._hear()

    def _hear(self) -> None:
        *lines, self._rest = (self._rest + os.read(self._master, 65_536)).split(b"\n")
        now_ns = time.monotonic_ns()
        for line in lines:
            words = line.split(b" ")
            if words[0] == b"c":
                self._write("H", HELLO)
            if words[0] == b"a" and (sent_ns := self._sent_ns.pop(int(words[2]), None)) is not None:
                self._answered[sent_ns] = now_ns
