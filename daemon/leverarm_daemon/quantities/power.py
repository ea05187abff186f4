"""Power at the crankshaft."""

from typing import Final

from leverarm_daemon.units import rad_s_from_rpm

WATTS_PER_KW: Final = 1000.0


def power_kw(torque_nm: float, speed_rpm: float) -> float:
    """Give mean torque times mean speed, as the trade defines brake power."""
    return torque_nm * rad_s_from_rpm(speed_rpm) / WATTS_PER_KW
