"""Force from raw load-cell counts."""

from leverarm_daemon.records import Calibration


def force_n(counts: int, calibration: Calibration) -> float:
    """Give the force in newtons: the calibration's polynomial, lowest power first."""
    newtons = 0.0
    for coefficient in reversed(calibration.coefficients):
        newtons = newtons * counts + coefficient
    return newtons
