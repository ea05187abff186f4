"""Moist air: how much of the barometer's reading is dry air that an engine can burn fuel with."""

import math
from typing import Final

from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Weather

KELVIN_AT_0_C: Final = 273.15
TRIPLE_POINT_K: Final = 273.16
HPA_PER_KPA: Final = 10.0

# Goff's formula for the saturation vapour pressure over water, log10 of kPa. The form is that of
# 40 CFR 1065.645; the coefficients are from memory and reproduce both worked examples printed
# there.
GOFF_INVERSE: Final = 10.79574
GOFF_LOG: Final = 5.02800
GOFF_WARM: Final = 1.50475e-4
GOFF_WARM_RATE: Final = 8.2969
GOFF_COLD: Final = 0.42873e-3
GOFF_COLD_RATE: Final = 4.76955
GOFF_OFFSET: Final = 0.2138602

AIR_C: Final = (-40.0, 60.0)
PRESSURE_HPA: Final = (500.0, 1100.0)


def saturation_pressure_hpa(air_c: float) -> float:
    """Give the saturation pressure over water in hectopascals; Refused outside -40 to 60 °C."""
    _within("air temperature", air_c, AIR_C, "°C")
    ratio = (air_c + KELVIN_AT_0_C) / TRIPLE_POINT_K
    log10_kpa = (
        GOFF_INVERSE * (1 - 1 / ratio)
        - GOFF_LOG * math.log10(ratio)
        + GOFF_WARM * (1 - 10 ** (-GOFF_WARM_RATE * (ratio - 1)))
        + GOFF_COLD * (10 ** (GOFF_COLD_RATE * (1 - 1 / ratio)) - 1)
        - GOFF_OFFSET
    )
    return float(10**log10_kpa) * HPA_PER_KPA


def vapour_pressure_hpa(air_c: float, humidity: float) -> float:
    """Give the vapour pressure in hectopascals; relative humidity is a fraction, 0 to 1."""
    _within("relative humidity", humidity, (0.0, 1.0), "(a fraction: 60 % is 0.6)")
    return humidity * saturation_pressure_hpa(air_c)


def dry_pressure_hpa(weather: Weather) -> float:
    """Give the pressure of the dry air in hectopascals; Refused for impossible weather."""
    _within("station pressure", weather.pressure_hpa, PRESSURE_HPA, "hPa, as read at the stand")
    return weather.pressure_hpa - vapour_pressure_hpa(weather.air_c, weather.humidity)


def _within(what: str, value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        raise Refused((f"{what} is {value:g}; it must lie from {low:g} to {high:g} {unit}",))
