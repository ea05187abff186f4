"""Each constant of ours is held by a check: moved by ten of its tolerances, or dropped, it must be noticed."""

from types import ModuleType

import pytest

from leverarm_daemon import units
from leverarm_daemon.analysis import repeat
from leverarm_daemon.quantities import correction, power, torque, weather
from support.published import Check, checks

BY_NAME = {(check.case, check.quantity): check for check in checks()}

MOVED: list[tuple[ModuleType, str, tuple[str, str]]] = [
    (correction, "J1349_GAIN", ("J1349-ref", "cf")),
    (correction, "J1349_FRICTION", ("J1349-ref", "cf")),
    (correction, "J1349_DRY_HPA", ("J1349-ref", "cf")),
    (correction, "J1349_INLET_K", ("J1349-ref", "cf")),
    (correction, "J1349_KELVIN_AT_0_C", ("J1349-ref", "cf")),
    (weather, "KELVIN_AT_0_C", ("VP-1", "p_kPa")),
    (weather, "TRIPLE_POINT_K", ("VP-1", "p_kPa")),
    (weather, "HPA_PER_KPA", ("VP-1", "p_kPa")),
    (weather, "HPA_PER_KPA", ("VP-2-dry", "water_fraction")),
    (weather, "GOFF_INVERSE", ("VP-2", "p_kPa")),
    (weather, "GOFF_LOG", ("VP-2", "p_kPa")),
    (weather, "GOFF_OFFSET", ("VP-1", "p_kPa")),
    (units, "RPM_PER_RAD_S", ("PB-1", "hp")),
    (units, "RPM_PER_RAD_S", ("PB-7", "P_kW")),
    (units, "RPM_PER_RAD_S", ("CP-5252", "hp")),
    (units, "WATTS_PER_HP", ("PB-1", "hp")),
    (units, "WATTS_PER_HP", ("CP-5252", "hp")),
    (units, "NM_PER_LBF_FT", ("PB-1", "T_lbfft")),
    (units, "NM_PER_LBF_FT", ("CP-5252", "hp")),
    (power, "WATTS_PER_KW", ("PB-5-exact", "P_kW")),
    (torque, "KPA_PER_J_PER_CC", ("PB-15", "bmep_bar")),
    (repeat, "CONFIDENCE", ("ST-9", "low")),
]

DROPPED = ["GOFF_WARM", "GOFF_WARM_RATE", "GOFF_COLD", "GOFF_COLD_RATE"]
"""Small terms: ten tolerances of the result cannot be told from a change of them, their absence can."""


@pytest.mark.parametrize(("module", "constant", "which"), MOVED)
@pytest.mark.parametrize("side", [-10, 10])
def test_a_constant_moved_by_ten_tolerances_is_noticed(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType, constant: str, which: tuple[str, str], side: int
) -> None:
    check: Check = BY_NAME[which]
    share = check.tolerance / abs(check.expected)
    monkeypatch.setattr(module, constant, getattr(module, constant) * (1 + side * share))
    assert not check.holds(), check.tell()


@pytest.mark.parametrize("constant", DROPPED)
def test_a_small_term_dropped_is_noticed(monkeypatch: pytest.MonkeyPatch, constant: str) -> None:
    monkeypatch.setattr(weather, constant, 0.0)
    assert not BY_NAME["VP-1", "p_kPa"].holds()
