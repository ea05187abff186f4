"""Brake, heat, load cell and scenario files."""

import math
import random
from pathlib import Path

import pytest

from leverarm_daemon.errors import ConfigError
from leverarm_simulators.brake import Brake, grip_m
from leverarm_simulators.cell import FULL_COUNTS, Cell
from leverarm_simulators.heat import Heat
from leverarm_simulators.scenario import BrakeSpec, CellSpec, HeatSpec, load_scenario


def test_strap_grips_like_a_rope_round_a_bollard() -> None:
    spec = BrakeSpec(drum_radius_m=0.1, wrap_rad=math.pi, friction=0.3)
    assert grip_m(spec, 20.0) == pytest.approx(0.1 * (math.e ** (0.3 * math.pi) - 1))


def test_brake_force_is_torque_over_arm_and_a_hot_strap_fades() -> None:
    brake = Brake(BrakeSpec())
    brake.pull_n = 60.0
    cold_nm = brake.torque_nm
    assert brake.force_n() == pytest.approx(cold_nm / 0.30)
    brake.warm_to(220.0)
    assert 0.6 * cold_nm < brake.torque_nm < 0.95 * cold_nm
    brake.failed = True
    assert brake.torque_nm == brake.force_n() == 0.0


def test_head_settles_where_cooling_equals_heat() -> None:
    """W = G (T - air): 1,100 W into 2.5 + 2.2 x 3 W/K is 120.9 K above the air."""
    heat = Heat(HeatSpec(head_share=0.22))
    for _ in range(20_000):
        heat.advance(0.25, 3000.0, 5000.0, 0.0)
    assert heat.head_c == pytest.approx(22.0 + 1100.0 / 9.1, abs=0.01)
    assert heat.drum_c == pytest.approx(22.0, abs=0.01)


def test_drum_warms_by_the_work_of_the_brake() -> None:
    heat = Heat(HeatSpec(drum_w_per_k=0.0, drum_w_per_k_krpm=0.0))
    for _ in range(20):
        heat.advance(0.25, 3000.0, 0.0, 4200.0)
    assert heat.drum_c == pytest.approx(45.0)


def test_converter_averages_over_its_period() -> None:
    cell = Cell(CellSpec(noise_n=0.0, drift_per_h=0.0), random.Random(1))
    assert cell.period_us == 12_500
    cell.gather(100.0, 2_500.0)
    cell.gather(0.0, 10_000.0)
    assert cell.count(12_500) == 84_000 + 200_000
    assert cell.count(25_000) == 84_000, "each conversion begins anew"


def test_cell_noise_drift_and_end_of_range() -> None:
    cell = Cell(CellSpec(noise_n=0.05, drift_per_h=0.0), random.Random(1))
    counts = [cell.count(0) - 84_000 for _ in range(4000)]
    sd = math.sqrt(sum(c * c for c in counts) / len(counts))
    assert sd == pytest.approx(500, rel=0.05)
    drifting = Cell(CellSpec(noise_n=0.0, drift_per_h=0.001, full_n=200.0), random.Random(1))
    assert drifting.count(3_600_000_000) == 84_000 + 2_000
    drifting.gather(1e6, 12_500.0)
    assert drifting.count(0) == FULL_COUNTS


def test_frozen_cell_repeats_its_last_count() -> None:
    cell = Cell(CellSpec(), random.Random(1))
    last = cell.count(0)
    cell.frozen = True
    cell.gather(50.0, 12_500.0)
    assert cell.count(12_500) == last


def test_scenario_settings_reach_any_section() -> None:
    scenario = load_scenario("air_filter", ("filters.foam=1.0", "engine.idle_rpm=1500.0", "seed=3"))
    assert scenario.filters["foam"] == 1.0
    assert scenario.engine.idle_rpm == 1500.0
    assert scenario.seed == 3
    assert scenario.builds()[:4] == ("paper", "foam", "foam", "paper")


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("engine.idel_rpm=1500.0", "idel_rpm"),
        ("engine.idle_rpm=-1.0", "idle_rpm"),
        ("engine.idle_rpm", "not of the form"),
        ("seed.x=1", "seed is no section"),
        ("campaign.order='AC'", "campaign.names.C"),
        ("seed='soon'", "seed"),
    ],
)
def test_wrong_settings_are_refused_with_their_name(setting: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        load_scenario("air_filter", (setting,))


def test_unknown_scenario_names_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="air_filter"):
        load_scenario("air_filtre")
    broken = tmp_path / "broken.toml"
    broken.write_text("name = ")
    with pytest.raises(ConfigError, match="broken"):
        load_scenario(str(broken))
