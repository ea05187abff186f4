import pytest
from hypothesis import given
from hypothesis import strategies as st

from leverarm_daemon.errors import Refused
from leverarm_daemon.quantities.correction import CORRECTIONS, correction, sae_j1349
from leverarm_daemon.records import Weather

PRESSURES = st.floats(850, 1080)
AIR = st.floats(-20, 50)


@given(PRESSURES, AIR)
def test_thinner_or_warmer_air_raises_the_factor(pressure_hpa: float, air_c: float) -> None:
    here = sae_j1349(pressure_hpa, air_c).factor
    assert sae_j1349(pressure_hpa - 1, air_c).factor > here
    assert sae_j1349(pressure_hpa, air_c + 1).factor > here


@given(PRESSURES, AIR, st.floats(0, 0.9))
def test_damper_air_raises_the_factor(pressure_hpa: float, air_c: float, humidity: float) -> None:
    here = correction("SAE J1349", Weather(pressure_hpa, air_c, humidity)).factor
    assert correction("SAE J1349", Weather(pressure_hpa, air_c, humidity + 0.1)).factor > here


@pytest.mark.parametrize(("dry_hpa", "in_range"), [(934.6, True), (934.5, False), (1052.4, True), (1052.5, False)])
def test_seven_per_cent_is_the_end_of_trust(dry_hpa: float, in_range: bool) -> None:
    assert sae_j1349(dry_hpa, 25.0).in_range is in_range


def test_the_weather_gives_both_pressure_and_temperature() -> None:
    found = correction("SAE J1349", Weather(1000.0, 15.0, 0.0))
    assert found == sae_j1349(1000.0, 15.0)
    assert found != sae_j1349(1000.0, 25.0)


def test_no_correction_is_one_in_any_weather() -> None:
    assert correction("none", Weather(850.0, 40.0, 1.0)).factor == 1.0


@pytest.mark.parametrize("name", CORRECTIONS)
def test_a_correction_says_the_name_it_is_asked_by(name: str) -> None:
    assert correction(name, Weather(1000.0, 20.0, 0.5)).name == name


def test_an_unknown_correction_is_refused_with_the_known_ones() -> None:
    with pytest.raises(Refused, match="'DIN'; known: SAE J1349, none"):
        correction("DIN", Weather(1000.0, 20.0, 0.5))
