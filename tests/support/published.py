"""Check values and our own functions for them: each is the function that the live path calls."""

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from leverarm_daemon import units
from leverarm_daemon.analysis import repeat
from leverarm_daemon.quantities import correction, power, torque, weather
from leverarm_daemon.records import Spread, Weather

CASES_FILE = Path(__file__).parents[1] / "published" / "cases.json"
N_PER_LBF = 4.4482216152605      # exact
M_PER_FT = 0.3048                # exact

Numbers = dict[str, float]


class Check(NamedTuple):
    """One number of one case."""

    case: str
    fn: str
    inputs: dict[str, Any]
    quantity: str
    expected: float
    tolerance: float
    source: str
    standing: str

    def got(self) -> float:
        """Work the number out anew."""
        return FUNCTIONS[self.fn](**self.inputs)[self.quantity]

    def holds(self) -> bool:
        """Tell whether our number lies within the tolerance."""
        return abs(self.got() - self.expected) <= self.tolerance

    def tell(self) -> str:
        """Give what a person wants to see of a check."""
        numbers = f"expected {self.expected:.10g}, got {self.got():.10g}, tolerance {self.tolerance:g}"
        return f"{self.case} {self.quantity}: {numbers} [{self.source}; {self.standing}]"


def checks() -> Iterator[Check]:
    """Give every check of cases.json."""
    for case in json.loads(CASES_FILE.read_text(encoding="utf-8")):
        for quantity, (expected, tolerance) in case["expected"].items():
            yield Check(
                case["id"], case["fn"], case["inputs"], quantity, expected, tolerance, case["source"], case["standing"]
            )


def _vapour_pressure(air_c: float) -> Numbers:
    return {"p_kPa": weather.saturation_pressure_hpa(air_c) / 10}


def _dry_pressure(pressure_kpa: float, air_c: float, rh: float) -> Numbers:
    dry_hpa = weather.dry_pressure_hpa(Weather(pressure_kpa * 10, air_c, rh))
    return {"water_fraction": 1 - dry_hpa / (pressure_kpa * 10), "dry_kPa": dry_hpa / 10}


def _sae_j1349(dry_hpa: float, air_c: float) -> Numbers:
    found = correction.sae_j1349(dry_hpa, air_c)
    return {"cf": found.factor, "in_range": float(found.in_range)}


def _prony_hp(gross_lbf: float, tare_lbf: float, arm_ft: float, rpm: float) -> Numbers:
    torque_nm = torque.brake_torque_nm((gross_lbf - tare_lbf) * N_PER_LBF, arm_ft * M_PER_FT)
    return {"hp": units.hp_from_kw(power.power_kw(torque_nm, rpm)), "T_lbfft": units.lbf_ft_from_nm(torque_nm)}


def _prony_kw(mass_kg: float, g: float, arm_m: float, rpm: float, swept_l: float, strokes: int) -> Numbers:
    torque_nm = torque.brake_torque_nm(mass_kg * g, arm_m)
    return {
        "T_Nm": torque_nm,
        "P_kW": power.power_kw(torque_nm, rpm),
        "bmep_kPa": torque.bmep_kpa(torque_nm, swept_l * 1000, strokes),
    }


def _power(torque_nm: float, rpm: float) -> Numbers:
    return {"P_kW": power.power_kw(torque_nm, rpm)}


def _end_to_end(force_n: float, arm_m: float, rpm: float, bore_m: float, stroke_m: float, n: int) -> Numbers:
    torque_nm = torque.brake_torque_nm(force_n, arm_m)
    swept_cc = n * math.pi / 4 * bore_m**2 * stroke_m * 1e6
    return {
        "P_kW": power.power_kw(torque_nm, rpm),
        "bmep_bar": torque.bmep_kpa(torque_nm, swept_cc, 4) / 100,
    }


def _trade_power(torque_lbf_ft: float, rpm: float) -> Numbers:
    return {"hp": units.hp_from_kw(power.power_kw(torque_lbf_ft * units.NM_PER_LBF_FT, rpm))}


def _sweep(inertia_kg_m2: float, rpm_per_s: float) -> Numbers:
    return {"T_Nm": torque.inertia_torque_nm(inertia_kg_m2, units.rad_s_from_rpm(rpm_per_s))}


def _mean_sd(y: list[float]) -> Numbers:
    mean, sd = repeat.mean_sd(y)
    return {"mean": mean, "sd": sd or 0.0}


def _alternating(first: float, pair: list[float], times: int) -> Numbers:
    return _mean_sd([first, *pair * times])


def _welch(m1: float, s1: float, n1: int, m2: float, s2: float, n2: int) -> Numbers:
    found = repeat.welch(Spread(n2, m2, s2, None, None), Spread(n1, m1, s1, None, None))
    return {"t": found.t, "nu": found.nu}


def _welch_samples(a: list[float], b: list[float]) -> Numbers:
    found = repeat.welch(repeat.spread(b), repeat.spread(a))
    return {"t": found.t, "nu": found.nu, "low": found.low, "high": found.high}


def _t_critical(nu: float) -> Numbers:
    return {"t": repeat.t_critical(nu)}


FUNCTIONS: dict[str, Callable[..., Numbers]] = {
    "vapour_pressure": _vapour_pressure,
    "dry_pressure": _dry_pressure,
    "sae_j1349": _sae_j1349,
    "prony_hp": _prony_hp,
    "prony_kW": _prony_kw,
    "power_bsfc": _power,
    "end_to_end": _end_to_end,
    "trade_power": _trade_power,
    "sweep": _sweep,
    "mean_sd": _mean_sd,
    "alternating": _alternating,
    "welch": _welch,
    "welch_samples": _welch_samples,
    "t_critical": _t_critical,
}
