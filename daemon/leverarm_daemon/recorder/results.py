"""What is made of measurements: the values of the moment and whole pulls, each with quality and reason. Pure."""

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from msgspec.structs import replace

from leverarm_daemon.analysis.curve import peak
from leverarm_daemon.config import EngineSection, StandFile
from leverarm_daemon.errors import Refused
from leverarm_daemon.quantities.correction import Correction, correction, uncorrected
from leverarm_daemon.quantities.quality import derived, worst
from leverarm_daemon.quantities.torque import bmep_kpa, brake_torque_nm, inertia_share
from leverarm_daemon.recorder.pulls import Found
from leverarm_daemon.records import Build, CurvePoint, Peak, Pull, Quality, Temps, Value, Weather
from leverarm_daemon.units import interval_us_from_rpm

FORCE_US: Final = 250_000
"""The force shown is the mean over this long."""

POINT_OLD_US: Final = 1_500_000
LOAD_OLD_US: Final = 500_000
TEMP_OLD_US: Final = 2_000_000

HOLE_US: Final = 200_000
"""Between two points of a curve, time that belongs to neither and is as long as a short window, is a hole."""

PLAUSIBLE_KPA: Final = (0.0, 1035.0)
"""Brake mean effective pressure of a small four-stroke that draws its own air: at most 150 psi."""

STATIC: Final = "stands still: force times arm"

CORRECTION: Final = "SAE J1349"

_FAULTS: Final = {
    "open": "the probe or its wire is broken",
    "short": "the probe or its wire is shorted",
    "range": "beyond what the converter can measure",
    "stale": "the converter no longer answers",
}


class Gauges:
    """The newest of everything.

    Two things are set by whoever asks: `today` is the date (YYYY-MM-DD) by which a calibration may
    have expired, `inertia` is the turning mass and how well it is known.
    """

    def __init__(self, stand: StandFile) -> None:
        self.today = ""
        self.inertia = inertia_trust(None, None)
        self._stand = stand
        self.correction, self._uncorrected_because = to_standard_air(stand.weather)
        self._forces: deque[tuple[int, float]] = deque(maxlen=1024)
        self._load_failed = "no load sample yet"
        self._count: int | None = None
        self._point: CurvePoint | None = None
        self._temps: dict[str, tuple[int, float | str]] = {}

    def load(self, device_us: int, count: int | None, newtons: float | None) -> None:
        """Take a load sample, raw and as a force; None is a conversion that failed."""
        self._count = count
        if newtons is None:
            self._load_failed = "the load cell's conversions fail"
            return
        self._load_failed = "the load cell has fallen silent"
        self._forces.append((device_us, newtons))

    def point(self, point: CurvePoint) -> None:
        """Take a mean over whole cycles."""
        self._point = point

    def temps(self, frame: Temps) -> None:
        """Take temperatures or faults."""
        self._temps |= {name: (frame.device_us, reading) for name, reading in frame.readings}

    def values(self, now_us: int, speed: Value) -> dict[str, Value]:
        """Give all values at this device time."""
        force, inertia = self._force(now_us), self.inertia
        point = self._point if self._point and now_us - self._point.device_us <= POINT_OLD_US else None
        share = inertia_share(point.inertia_torque_nm, point.torque_nm) if point else None
        torque = _of_point(point.torque_nm if point else None, "N·m", force, inertia)
        if point is None and speed.value == 0.0:
            torque = self._static_torque(force)
        power = _of_point(point.power_kw if point else None, "kW", force, inertia)
        return {
            "speed_rpm": speed,
            "force_n": force,
            "load_counts": self._counts(force),
            "torque_nm": torque,
            "power_kw": power,
            "torque_corrected_nm": self._corrected(torque),
            "power_corrected_kw": self._corrected(power),
            "inertia_share": _of_point(share, "", inertia),
            **{f"{name}_c": self._temp(name, now_us) for name in self._temps},
            **self._air(),
        }

    def trust(self, points: Sequence[CurvePoint], doubt: str = "") -> tuple[Quality, tuple[str, ...]]:
        """Give how far a curve may be trusted, and every reason why it is not good; `doubt` is one more, if any."""
        inputs = [self.load_trust(), self.correction_value(), self.inertia, *self._doubts(points)]
        if doubt:
            inputs.append(Value(None, "", Quality.SUSPECT, doubt))
        reasons = tuple(value.reason for value in inputs if value.quality is not Quality.GOOD)
        return worst(*(value.quality for value in inputs)), reasons

    def _doubts(self, points: Sequence[CurvePoint]) -> list[Value]:
        """Give what the curve itself speaks against it."""
        strongest_n = max(abs(point.force_n) for point in points)
        return [self._within_rating(strongest_n), _without_holes(points), _plausible(points, self._stand.engine)]

    def load_trust(self) -> Value:
        """Give how far forces may be trusted, by the calibration alone; its number means nothing."""
        calibration = self._stand.load.calibration
        if self.today > calibration.expires:
            return Value(0.0, "N", Quality.SUSPECT, f"the calibration expired on {calibration.expires}")
        if calibration.provisional:
            return Value(0.0, "N", Quality.SUSPECT, "the calibration is provisional")
        return Value(0.0, "N")

    def correction_value(self) -> Value:
        """Give the correction factor."""
        used = self.correction
        if self._uncorrected_because:
            return Value(used.factor, "", Quality.SUSPECT, self._uncorrected_because)
        if not used.in_range:
            return Value(used.factor, "", Quality.SUSPECT, f"{used.name} corrects by more than it vouches for")
        return Value(used.factor, "", reason=used.name)

    def _force(self, now_us: int) -> Value:
        recent = [newtons for us, newtons in self._forces if us > now_us - FORCE_US]
        if not recent:
            recent = [newtons for us, newtons in list(self._forces)[-1:] if us > now_us - LOAD_OLD_US]
        if not recent:
            return Value(None, "N", Quality.BAD, self._load_failed)
        mean_n = sum(recent) / len(recent)
        return derived(mean_n, "N", self.load_trust(), self._within_rating(mean_n))

    def _counts(self, force: Value) -> Value:
        """Give the newest raw count, for wiring and calibration."""
        if force.value is None or self._count is None:
            return Value(None, "counts", Quality.BAD, force.reason or self._load_failed)
        return Value(float(self._count), "counts")

    def _static_torque(self, force: Value) -> Value:
        """Give what hangs on the arm while the crank stands still: with a known mass, the check of the calibration."""
        brake = self._stand.brake
        number = None if force.value is None else brake_torque_nm(force.value, brake.arm_m, brake.belt_ratio)
        torque = derived(number, "N·m", force)
        return replace(torque, reason=torque.reason or STATIC)

    def _within_rating(self, force_n: float) -> Value:
        if abs(force_n) > self._stand.load.rated_n:
            return Value(force_n, "N", Quality.SUSPECT, "beyond the load cell's rating")
        return Value(force_n, "N")

    def _corrected(self, value: Value) -> Value:
        number = None if value.value is None else value.value * self.correction.factor
        return derived(number, value.unit, value, self.correction_value())

    def _temp(self, name: str, now_us: int) -> Value:
        device_us, reading = self._temps[name]
        if isinstance(reading, str):
            return Value(None, "°C", Quality.BAD, _FAULTS.get(reading, reading))
        if now_us - device_us > TEMP_OLD_US:
            return Value(None, "°C", Quality.BAD, _FAULTS["stale"])
        return Value(reading, "°C")

    def _air(self) -> dict[str, Value]:
        weather, source = self._stand.weather, "as entered in the stand file"
        return {
            "correction": self.correction_value(),
            "pressure_hpa": Value(weather.pressure_hpa, "hPa", reason=source),
            "air_c": Value(weather.air_c, "°C", reason=source),
            "humidity": Value(weather.humidity, "", reason=source),
        }


def to_standard_air(weather: Weather) -> tuple[Correction, str]:
    """Give the correction for the weather, or none and the reason why it cannot be worked out."""
    try:
        return correction(CORRECTION, weather), ""
    except Refused as refused:
        return uncorrected(0.0, 0.0), f"not corrected: {refused}"


def inertia_trust(build: Build | None, guards: str | None) -> Value:
    """Give the turning mass, and how well it is known; `guards` is the build that the guard holds, if it is known."""
    if build is None:
        return Value(0.0, "kg·m²", Quality.SUSPECT, "no build is known: the turning mass is left out")
    if guards not in (None, build.name):
        reason = f"the guard has build {guards!r}, recorded is {build.name!r}: select the build again"
        return Value(build.inertia_kg_m2, "kg·m²", Quality.SUSPECT, reason)
    return Value(build.inertia_kg_m2, "kg·m²")


def pull_of(found: Found, gauges: Gauges, build: Build | None, started_utc: str, simulated: bool) -> Pull:
    """Make the record of a pull that was found, without ids; peaks are corrected, the curve is not."""
    points, used = found.points, gauges.correction
    quality, reasons = gauges.trust(points, found.doubt)
    return Pull(
        id=0,
        run_id=0,
        build=build.name if build else "",
        started_utc=started_utc,
        started_us=points[0].device_us,
        ended_us=points[-1].device_us,
        kind=found.kind,
        kept=found.kind == "pull",
        ended_by=found.ended_by,
        peak_torque_nm=_scaled(peak(points, "torque_nm"), used.factor),
        peak_power_kw=_scaled(peak(points, "power_kw"), used.factor),
        correction=used.name,
        correction_factor=used.factor,
        inertia_share=_mean_share(points),
        quality=quality,
        reason="; ".join((*found.reasons, *reasons)),
        simulated=simulated,
        curve=points,
    )


def under_way(points: Sequence[CurvePoint]) -> str:
    """Say in words how far a pull has come; empty when none is under way."""
    if not points:
        return ""
    fell_rpm = points[0].speed_rpm - min(point.speed_rpm for point in points)
    lasted_s = (points[-1].device_us - points[0].device_us) / 1e6
    return f"Pull under way: {fell_rpm:.0f} rpm down in {lasted_s:.1f} s"


def _without_holes(points: Sequence[CurvePoint]) -> Value:
    """Give the time that no point covers, where that is long: windows else follow one another without a gap."""
    halves_us = [point.cycles * interval_us_from_rpm(point.speed_rpm, 1.0) for point in points]  # two turns a cycle
    spans = [(point.device_us - half, point.device_us + half) for point, half in zip(points, halves_us, strict=True)]
    gaps_us = [after[0] - before[1] for before, after in pairwise(spans)]
    missing_s = sum(gap_us for gap_us in gaps_us if gap_us > HOLE_US) / 1e6
    if missing_s:
        return Value(missing_s, "s", Quality.SUSPECT, f"lines are missing: nothing was measured for {missing_s:.1f} s")
    return Value(missing_s, "s")


def _plausible(points: Sequence[CurvePoint], engine: EngineSection) -> Value:
    """Give the brake mean effective pressure at the highest torque, and whether a four-stroke can have it."""
    if engine.displacement_cc is None or engine.strokes != 4:
        return Value(None, "kPa")
    pressure_kpa = bmep_kpa(max(point.torque_nm for point in points), engine.displacement_cc, engine.strokes)
    low, high = PLAUSIBLE_KPA
    if low <= pressure_kpa <= high:
        return Value(pressure_kpa, "kPa")
    reason = f"beyond belief: mean effective pressure {pressure_kpa:.0f} kPa at the top, not {low:g} to {high:g}"
    return Value(pressure_kpa, "kPa", Quality.SUSPECT, reason)


def _of_point(number: float | None, unit: str, *inputs: Value) -> Value:
    if number is None:
        return Value(None, unit, Quality.BAD, "no whole cycles with speed and load")
    return derived(number, unit, *inputs)


def _scaled(top: Peak, factor: float) -> Peak:
    return Peak(top.value * factor, top.speed_rpm)


def _mean_share(points: Sequence[CurvePoint]) -> float:
    """Give the inertia torque's share over the whole curve."""
    inertia_nm = sum(abs(point.inertia_torque_nm) for point in points)
    return inertia_share(inertia_nm, sum(abs(point.torque_nm) for point in points))
