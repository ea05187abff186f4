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


class SimulatedStand:
    """World and front end together. `write` takes the bytes of the lines that the front end sends."""

    def __init__(self, scenario: Scenario, name: str, seed: int, write: Callable[[bytes], None]) -> None:
        self.scenario = scenario
        self.name = name
        self.write = write
        self.world = World(scenario, seed, self)
        self._start_us = WRAP_US - round(scenario.wiring.before_wrap_s * 1e6)
        self.firmware = self._boot("power")

    def _boot(self, reset: str) -> Any:
        throttle = ("throttle",) if self.scenario.wiring.throttle_switch else ()
        return load_firmware().FrontEnd(
            self, self.name, simulated=True, load_hz=round(self.scenario.cell.rate_hz), temps=("head", "drum"),
            inputs=("loop", "shield", "key", *throttle), pulses_per_rev=str(self.scenario.rotor.pulses_per_rev), reset=reset,
        )

    def restart(self, reset: str) -> None:
        """Restart the front end, as its watchdog or a brown-out does; the relay has dropped meanwhile."""
        self.world.set_run(False)
        self.firmware = self._boot(reset)

    # --- time and the host ---

    @property
    def now_us(self) -> float:
        """Microseconds since the simulation began; they do not wrap."""
        return self.world.now_us

    def advance(self, until_us: float) -> None:
        """Go on to this time, with the front end's main loop coming round every 5 ms and at the end."""
        while self.world.now_us + POLL_US < until_us:
            self._advance(self.world.now_us + POLL_US)
        self._advance(until_us)

    def _advance(self, until_us: float) -> None:
        self.world.advance(until_us)
        self.firmware.poll(self._device_us(until_us))

    def feed(self, data: bytes) -> None:
        """Take bytes from the host."""
        self.firmware.feed(data)

    def _device_us(self, us: float) -> int:
        return (self._start_us + int(us)) & (WRAP_US - 1)

    # --- the pins, as the firmware knows them ---

    def now(self) -> int:
        """Give the device clock."""
        return self._device_us(self.world.now_us)

    now_us_wrapped = now

    def set_run(self, on: bool) -> None:
        """Energise or drop the run relay."""
        self.world.set_run(on)

    def set_fuel(self, on: bool) -> None:
        """Open or shut the fuel valve."""
        self.world.set_fuel(on)

    def inputs(self) -> tuple[str, ...]:
        """Name the digital inputs that are closed or true."""
        return self.world.inputs()

    # --- the sensors, as the world knows them ---

    def edge(self, us: int) -> None:
        """Pass a pickup edge on, at once, as the interrupt does."""
        self.firmware.edge(self._device_us(us))

    def load(self, us: int, count: int | None) -> None:
        """Pass a conversion of the load cell on."""
        self.firmware.load(self._device_us(us), count)

    def temp(self, us: int, name: str, centi_c: int) -> None:
        """Pass a temperature on."""
        self.firmware.temp(self._device_us(us), name, centi_c)
