"""Pulls and curves made up for tests."""

from collections.abc import Sequence

from leverarm_daemon.records import CurvePoint, Peak, Pull, Quality


def pull(number: int, build: str, power_kw: float, torque_nm: float = 18.0) -> Pull:
    """Give a kept pull with these peaks."""
    return Pull(
        id=number, run_id=1, build=build, started_utc="2031-05-01T10:00:00Z", started_us=0, ended_us=1, kind="pull",
        kept=True, ended_by="release", peak_torque_nm=Peak(torque_nm, 2400.0), peak_power_kw=Peak(power_kw, 3400.0),
        correction="SAE J1349", correction_factor=1.01, inertia_share=0.1, quality=Quality.GOOD, reason="",
        simulated=False,
    )


def curve(speeds_rpm: Sequence[float], torques_nm: Sequence[float]) -> list[CurvePoint]:
    """Give the points of a curve with this torque at these speeds."""
    return [
        CurvePoint(
            device_us=number * 250_000, speed_rpm=speed_rpm, force_n=2 * torque_nm, brake_torque_nm=torque_nm,
            inertia_torque_nm=0.0, torque_nm=torque_nm, power_kw=torque_nm * speed_rpm / 9549.3, cycles=6,
        )
        for number, (speed_rpm, torque_nm) in enumerate(zip(speeds_rpm, torques_nm, strict=True))
    ]
