"""Faults to order: on the byte stream of the stand link, and in the physical world.

A fault is written NAME@SECONDS or NAME@SECONDS+FOR: it begins at that time of the simulation and, with FOR, ends again.
"""

import random
import re
from collections.abc import Callable
from dataclasses import dataclass

from leverarm_daemon.errors import ConfigError
from leverarm_simulators.front_end import SimulatedStand

FLIP_SHARE = 0.3
"""The share of lines of which the fault "flip" damages one bit."""


@dataclass(frozen=True)
class Fault:
    """One fault; `until_s` None means for ever."""

    name: str
    from_s: float
    until_s: float | None


def parse(text: str) -> Fault:
    """Read NAME@SECONDS[+FOR]; raises ConfigError."""
    found = re.fullmatch(r"([a-z-]+)@([0-9.]+)(?:\+([0-9.]+))?", text)
    if found is None or found[1] not in KNOWN:
        raise ConfigError("--fault", text, "is not NAME@SECONDS or NAME@SECONDS+FOR", ", ".join(sorted(KNOWN)))
    begin = float(found[2])
    return Fault(found[1], begin, begin + float(found[3]) if found[3] else None)


class Faults:
    """The faults of a run. `wire` is the one hook on the bytes from stand to host, `advance` works on the world."""

    def __init__(self, faults: tuple[Fault, ...], seed: int) -> None:
        self._faults = faults
        self._rng = random.Random(seed)
        self._on: set[str] = set()
        self._held = bytearray()

    def advance(self, stand: SimulatedStand) -> None:
        """Begin and end what is due."""
        now_s = stand.now_us / 1e6
        on = {f.name for f in self._faults if f.from_s <= now_s and (f.until_s is None or now_s < f.until_s)}
        for name in on ^ self._on:
            if name in PHYSICAL:
                PHYSICAL[name](stand, name in on)
        self._on = on

    def wire(self, line: bytes) -> bytes:
        """Give what arrives of a line that the stand sent: all, nothing, something else, or more of it later."""
        if "drop" in self._on:
            return b""
        if "flip" in self._on and self._rng.random() < FLIP_SHARE:
            line = self._flipped(line)
        self._held += line
        if "stall" in self._on:
            return b""
        line, self._held = bytes(self._held), bytearray()
        return line

    def _flipped(self, line: bytes) -> bytes:
        damaged = bytearray(line)
        damaged[self._rng.randrange(len(line) - 1)] ^= 1 << self._rng.randrange(7)
        return bytes(damaged)


def _pickup_off(stand: SimulatedStand, on: bool) -> None:
    stand.world.pickup = not on


def _cell_frozen(stand: SimulatedStand, on: bool) -> None:
    stand.world.cell.frozen = on


def _cell_dead(stand: SimulatedStand, on: bool) -> None:
    stand.cell_alive = not on


def _brake_off(stand: SimulatedStand, on: bool) -> None:
    stand.world.operator.hands.strap_whole = not on


def _restart(stand: SimulatedStand, on: bool) -> None:
    if on:
        stand.restart("watchdog")


def _spark(stand: SimulatedStand, on: bool) -> None:
    """One pulse of the ignition lead in the pickup's cable, wherever the crank is."""
    if on:
        stand.edge(int(stand.now_us))


PHYSICAL: dict[str, Callable[[SimulatedStand, bool], None]] = {
    "pickup-off": _pickup_off,
    "cell-frozen": _cell_frozen,
    "cell-dead": _cell_dead,
    "brake-off": _brake_off,
    "restart": _restart,
    "spark": _spark,
}
"""Faults of the world: what to do when they begin (True) and when they end."""

KNOWN = frozenset({"drop", "flip", "stall", *PHYSICAL})
