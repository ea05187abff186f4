"""Correction of torque and power to standard air.

Results under different corrections are never compared.
"""

import math
from collections.abc import Callable
from typing import Final

from leverarm_daemon.errors import Refused
from leverarm_daemon.quantities.weather import dry_pressure_hpa
from leverarm_daemon.records import Record, Weather

# SAE J1349, naturally aspirated spark ignition. It holds friction power constant at a mechanical
# efficiency of 0.85: hence 1/0.85, rounded to 1.180, and the 0.180 that friction keeps back.
J1349_GAIN: Final = 1.180
J1349_FRICTION: Final = 0.180
J1349_DRY_HPA: Final = 990.0
J1349_INLET_K: Final = 298.0
J1349_KELVIN_AT_0_C: Final = 273.0      # as the standard prints it
LARGEST_CORRECTION: Final = 0.07        # from memory; the standard vouches for no more


class Correction(Record):
    """A factor on torque and power, its name, and whether it is small enough to be trusted."""

    name: str
    factor: float
    in_range: bool


def is_in_range(factor: float) -> bool:
    """Tell whether a factor corrects by no more than 7 %."""
    return abs(factor - 1.0) <= LARGEST_CORRECTION


def sae_j1349(dry_hpa: float, inlet_c: float) -> Correction:
    """Give the SAE J1349 correction from dry-air pressure and inlet air temperature."""
    thin_air = J1349_DRY_HPA / dry_hpa
    warm_air = math.sqrt((inlet_c + J1349_KELVIN_AT_0_C) / J1349_INLET_K)
    factor = J1349_GAIN * thin_air * warm_air - J1349_FRICTION
    return Correction("SAE J1349", factor, is_in_range(factor))


def uncorrected(dry_hpa: float, inlet_c: float) -> Correction:
    """Give no correction, whatever the air."""
    return Correction("none", 1.0, True)


CORRECTIONS: Final[dict[str, Callable[[float, float], Correction]]] = {
    "SAE J1349": sae_j1349,
    "none": uncorrected,
}
"""Every correction by its name; each takes dry pressure in hPa and inlet air in degrees Celsius."""


def correction(name: str, weather: Weather) -> Correction:
    """Give the correction of this name for the weather; Refused if either is impossible."""
    if name not in CORRECTIONS:
        raise Refused((f"there is no correction {name!r}; known: {', '.join(CORRECTIONS)}",))
    return CORRECTIONS[name](dry_pressure_hpa(weather), weather.air_c)
