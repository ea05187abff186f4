"""What must hold for any engine: neither sweep, nor pulsation, nor where the magnet sits, may move the torque."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.turning import Turning

EDGE_TIME_NM = 0.12
"""What edge times in whole microseconds may cost, for each kg m2 of inertia: 0.12 rad/s2."""

ENGINES = st.builds(
    Turning,
    torque_nm=st.floats(5, 40),
    inertia_kg_m2=st.floats(0.02, 0.25),
    start_rpm=st.floats(2600, 3000),
    sweep_rpm_s=st.floats(300, 600),
    seconds=st.just(2.5),
    pulses_per_rev=st.sampled_from([0.5, 1.0, 1.5, 2.0, 12.0]),
    load_hz=st.sampled_from([80.0, 320.0, 1000.0]),
    load_phase=st.floats(0.05, 0.95),
    phase=st.floats(0, 6.28),
)


@settings(max_examples=25, deadline=None)
@given(ENGINES)
def test_swept_up_and_down_the_shaft_torque_is_the_same(engine: Turning) -> None:
    up = [point.torque_nm for point in engine.points()]
    down = [point.torque_nm for point in replace(engine, sweep_rpm_s=-engine.sweep_rpm_s).points()]
    assert min(len(up), len(down)) >= 4
    within = EDGE_TIME_NM * engine.inertia_kg_m2
    assert up == pytest.approx([engine.torque_nm] * len(up), rel=1e-3, abs=within)
    assert down == pytest.approx([engine.torque_nm] * len(down), rel=1e-3, abs=within)


@settings(max_examples=25, deadline=None)
@given(ENGINES, st.floats(0.5, 2.0), st.floats(0.0, 0.03))
def test_whole_cycles_cancel_pulsation(engine: Turning, torque_swing: float, speed_swing: float) -> None:
    # Steady, since torque averaged over time within a cycle that speeds up is truly another than at rest.
    pulsing = replace(engine, torque_swing=torque_swing, speed_swing=speed_swing, load_hz=1000.0, sweep_rpm_s=0.0)
    found = [point.torque_nm for point in pulsing.points()]
    assert found == pytest.approx([engine.torque_nm] * len(found), rel=1e-3, abs=EDGE_TIME_NM * engine.inertia_kg_m2)


@settings(max_examples=25, deadline=None)
@given(ENGINES, st.floats(0.5, 2.0))
def test_what_slow_samples_blur_does_not_add_up(engine: Turning, torque_swing: float) -> None:
    pulsing = replace(engine, torque_swing=torque_swing, load_hz=80.0)
    found = [point.torque_nm for point in pulsing.points()]
    assert sum(found) / len(found) == pytest.approx(engine.torque_nm, rel=0.005 * torque_swing)
