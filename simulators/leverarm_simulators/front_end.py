"""The simulated front end: the firmware's own files, with pins that end in the simulated world.

The device clock wraps at 2**30 microseconds and starts a few seconds before that, so that every run meets the wrap.
"""

import importlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from leverarm_simulators.scenario import Scenario
from leverarm_simulators.world import World

WRAP_US = 1 << 30
POLL_US = 5_000
"""The main loop of a front end comes round at least this often."""


def firmware_dir() -> Path:
    """Find the firmware's files: beside an editable install, or inside a wheel."""
    here = Path(__file__).resolve()
    places = (here.parents[2] / "deploy" / "firmware", here.parent / "firmware")
    return next(place for place in places if (place / "front_end.py").is_file())


def load_firmware() -> Any:
    """Import the firmware's main module."""
    place = str(firmware_dir())
    if place not in sys.path:
        sys.path.append(place)
    return importlib.import_module("front_end")


class Pins:
    """The firmware's pins: its only way to the outside, as `deploy/firmware/pins.py` is on a board."""

    def __init__(self, world: World, start_us: int, write: Callable[[bytes], None]) -> None:
        self._world = world
        self._start_us = start_us
        self.write = write
        self.set_run = world.set_run
        self.set_fuel = world.set_fuel
        self.inputs = world.inputs

    def now_us(self) -> int:
        """Give the device clock."""
        return self.device_us(self._world.now_us)

    def device_us(self, us: float) -> int:
        """Give what the device clock shows at a time of the world."""
        return (self._start_us + int(us)) & (WRAP_US - 1)


class SimulatedStand:
    """World and front end together. `write` takes the bytes of each line that the front end sends."""

    def __init__(self, scenario: Scenario, name: str, seed: int, write: Callable[[bytes], None]) -> None:
        self.scenario = scenario
        self.name = name
        self.world = World(scenario, seed, self)
        self.cell_alive = True
        start_us = WRAP_US - round(scenario.wiring.before_wrap_s * 1e6)
        self._pins = Pins(self.world, start_us, write)
        self.firmware = self._boot("power")

    def _boot(self, reset: str) -> Any:
        throttle = ("throttle",) if self.scenario.wiring.throttle_switch else ()
        return load_firmware().FrontEnd(
            self._pins, self.name, simulated=True, load_hz=round(self.scenario.cell.rate_hz), temps=("head", "drum"),
            inputs=("loop", "shield", "key", *throttle), pulses_per_rev=str(self.scenario.rotor.pulses_per_rev),
            reset=reset,
        )

    def restart(self, reset: str) -> None:
        """Restart the front end, as its watchdog or a brown-out does; the relay drops meanwhile."""
        self.world.set_run(False)
        self.firmware = self._boot(reset)

    # --- time and the host ---

    @property
    def now_us(self) -> float:
        """Microseconds since the simulation began; they do not wrap."""
        return self.world.now_us

    def advance(self, until_us: float) -> None:
        """Go on to this time; the front end's main loop comes round every 5 ms, and at the end."""
        while self.world.now_us + POLL_US < until_us:
            self._poll(self.world.now_us + POLL_US)
        self._poll(until_us)

    def _poll(self, us: float) -> None:
        self.world.advance(us)
        self.firmware.poll(self._pins.device_us(us))

    def feed(self, data: bytes) -> None:
        """Take bytes from the host."""
        self.firmware.feed(data)

    # --- the sensors, as the world knows them ---

    def edge(self, us: int) -> None:
        """Pass a pickup edge on, at once, as the interrupt does."""
        self.firmware.edge(self._pins.device_us(us))

    def load(self, us: int, count: int) -> None:
        """Pass a conversion of the load cell on; a dead converter gives none."""
        self.firmware.load(self._pins.device_us(us), count if self.cell_alive else None)

    def temp(self, us: int, name: str, centi_c: int) -> None:
        """Pass a temperature on."""
        self.firmware.temp(self._pins.device_us(us), name, centi_c)
