import pytest

from leverarm_daemon.quantities.force import force_n
from leverarm_daemon.records import Calibration


@pytest.mark.parametrize(
    ("coefficients", "newtons"),
    [
        ((-2.0, 0.5), 48.0),
        ((1.0, 0.0, 0.01), 101.0),
        ((0.0, 1.0, 0.0, 1e-4), 200.0),
    ],
)
def test_the_polynomial_runs_from_the_lowest_power(coefficients: tuple[float, ...], newtons: float) -> None:
    calibration = Calibration(coefficients, "2031-01-01", "2032-01-01")
    assert force_n(100, calibration) == pytest.approx(newtons)


def test_negative_counts_are_negative_force() -> None:
    assert force_n(-100, Calibration((0.0, 0.5), "", "")) == -50.0
