"""Each check is held by the constants behind it: one that is moved by ten of the check's tolerances is noticed."""

from types import ModuleType

import pytest

from leverarm_daemon import units
from leverarm_daemon.analysis import repeat
from leverarm_daemon.quantities import correction, power, torque, weather
from support.published import Check, checks

Constant = tuple[ModuleType, str]

CHECKS = {(check.case, check.quantity): check for check in checks()}

POWER: tuple[Constant, ...] = ((units, "RPM_PER_RAD_S"), (power, "WATTS_PER_KW"))
HORSEPOWER: tuple[Constant, ...] = (*POWER, (units, "WATTS_PER_HP"))
POUND_FEET: tuple[Constant, ...] = ((units, "NM_PER_LBF_FT"),)
PRESSURE: tuple[Constant, ...] = ((torque, "KPA_PER_J_PER_CC"),)
J1349: tuple[Constant, ...] = tuple(
    (correction, name)
    for name in ("J1349_GAIN", "J1349_FRICTION", "J1349_DRY_HPA", "J1349_INLET_K", "J1349_KELVIN_AT_0_C")
)
WATER: tuple[Constant, ...] = tuple(
    (weather, name)
    for name in ("KELVIN_AT_0_C", "TRIPLE_POINT_K", "HPA_PER_KPA", "GOFF_INVERSE", "GOFF_LOG", "GOFF_OFFSET")
)
CONFIDENCE: tuple[Constant, ...] = ((repeat, "CONFIDENCE"),)

BEHIND: dict[tuple[str, str], tuple[Constant, ...]] = {
    ("vapour_pressure", "p_kPa"): tuple(c for c in WATER if c[1] != "HPA_PER_KPA"),
    ("dry_pressure", "water_fraction"): WATER,
    ("sae_j1349", "cf"): J1349,
    ("prony_hp", "hp"): HORSEPOWER,
    ("prony_hp", "T_lbfft"): POUND_FEET,
    ("prony_kW", "P_kW"): POWER,
    ("prony_kW", "bmep_kPa"): PRESSURE,
    ("power_bsfc", "P_kW"): POWER,
    ("end_to_end", "P_kW"): POWER,
    ("end_to_end", "bmep_bar"): PRESSURE,
    ("trade_power", "hp"): (*HORSEPOWER, *POUND_FEET),
    ("sweep", "T_Nm"): ((units, "RPM_PER_RAD_S"),),
    ("welch_samples", "low"): CONFIDENCE,
    ("welch_samples", "high"): CONFIDENCE,
    ("t_critical", "t"): CONFIDENCE,
}
"""By function and quantity. What is not listed rests on its formula alone."""

SMALL = ("GOFF_WARM", "GOFF_WARM_RATE", "GOFF_COLD", "GOFF_COLD_RATE")
"""Terms so small that ten tolerances of the result are more than the whole term: their absence is noticed."""

EDGE = "LARGEST_CORRECTION"
"""Decides a yes or no, so it is moved by more than the two cases beside it are apart."""

MOVED = [
    (which, *constant) for which, check in CHECKS.items() for constant in BEHIND.get((check.fn, check.quantity), ())
]


def moved(monkeypatch: pytest.MonkeyPatch, module: ModuleType, constant: str, by: float) -> None:
    monkeypatch.setattr(module, constant, getattr(module, constant) * (1 + by))


@pytest.mark.parametrize(("which", "module", "constant"), MOVED, ids=lambda part: getattr(part, "__name__", str(part)))
@pytest.mark.parametrize("side", [-10, 10])
def test_a_constant_moved_by_ten_tolerances_is_noticed(
    monkeypatch: pytest.MonkeyPatch, which: tuple[str, str], module: ModuleType, constant: str, side: int
) -> None:
    check: Check = CHECKS[which]
    moved(monkeypatch, module, constant, side * check.tolerance / abs(check.expected))
    assert not check.holds(), check.tell()


@pytest.mark.parametrize("constant", SMALL)
def test_a_small_term_dropped_is_noticed(monkeypatch: pytest.MonkeyPatch, constant: str) -> None:
    moved(monkeypatch, weather, constant, -1)
    assert not CHECKS["VP-1", "p_kPa"].holds()


@pytest.mark.parametrize(("case", "by"), [("J1349-edge-in", -0.02), ("J1349-edge-out", 0.02)])
def test_a_moved_edge_of_the_range_is_noticed(monkeypatch: pytest.MonkeyPatch, case: str, by: float) -> None:
    moved(monkeypatch, correction, EDGE, by)
    assert not CHECKS[case, "in_range"].holds()


def test_no_constant_is_without_a_check() -> None:
    known = {(module, name) for constants in BEHIND.values() for module, name in constants}
    known |= {(weather, name) for name in SMALL} | {(correction, EDGE)}
    there = {
        (module, name)
        for module in (units, repeat, correction, power, torque, weather)
        for name, value in vars(module).items()
        if name.isupper() and isinstance(value, float)
    }
    assert there == known
    assert set(BEHIND) <= {(check.fn, check.quantity) for check in CHECKS.values()}
