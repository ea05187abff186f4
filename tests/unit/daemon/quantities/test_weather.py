import pytest

from leverarm_daemon.errors import Refused
from leverarm_daemon.quantities.weather import (
    dry_pressure_hpa,
    saturation_pressure_hpa,
    vapour_pressure_hpa,
)
from leverarm_daemon.records import Weather


@pytest.mark.parametrize(
    ("air_c", "iapws_95_hpa"),
    [(0.01, 6.1165), (10, 12.2820), (20, 23.3932), (30, 42.4697), (40, 73.8494), (50, 123.5195)],
)
def test_saturation_keeps_to_the_steam_tables(air_c: float, iapws_95_hpa: float) -> None:
    """Source: IAPWS-95 by way of CoolProp 8.0.0."""
    assert saturation_pressure_hpa(air_c) == pytest.approx(iapws_95_hpa, rel=2e-3)


def test_vapour_takes_its_part_of_the_pressure() -> None:
    assert dry_pressure_hpa(Weather(1000.0, 20.0, 0.5)) == pytest.approx(1000 - 11.69, abs=0.02)
    assert dry_pressure_hpa(Weather(1000.0, 20.0, 0.0)) == 1000.0


@pytest.mark.parametrize(
    ("weather", "word"),
    [
        (Weather(29.92, 20.0, 0.5), "station pressure is 29.92"),
        (Weather(1000.0, 293.0, 0.5), "air temperature is 293"),
        (Weather(1000.0, 20.0, 50.0), "relative humidity is 50.*60 % is 0.6"),
        (Weather(float("nan"), 20.0, 0.5), "station pressure is nan"),
        (Weather(1000.0, float("nan"), 0.5), "air temperature is nan"),
        (Weather(1000.0, 20.0, float("nan")), "relative humidity is nan"),
    ],
)
def test_other_units_and_nan_are_refused_by_name(weather: Weather, word: str) -> None:
    with pytest.raises(Refused, match=word):
        dry_pressure_hpa(weather)


def test_a_humidity_below_zero_is_refused() -> None:
    with pytest.raises(Refused, match="0 to 1"):
        vapour_pressure_hpa(20.0, -0.1)
