"""A single-cylinder four-stroke, in steps of 20 degrees of crank angle.

Torque at the crankshaft is the sum of three parts. Gas: one power stroke in 720 degrees, its size drawn anew for
each cycle and settled at the spark, so that a stroke that has fired completes whatever happens to the ignition.
Compression: taken before top dead centre and given back after it, no net work. Drag: friction and pumping, always
against the turn. The mean over a cycle at full throttle is the full-load curve. Not modelled: valve timing,
the piston's own inertia, spark advance (the spark is at top dead centre), kickback.
"""

import math
import random
from collections import deque

from leverarm_simulators.scenario import EngineSpec

STEP_DEG = 20
STEP_RAD = math.radians(STEP_DEG)
STEPS_PER_REV = 360 // STEP_DEG
STEPS_PER_CYCLE = 720 // STEP_DEG
STEPS_PER_STROKE = 180 // STEP_DEG
COMPRESSION, POWER = 1, 2
"""Strokes by number: 0 intake, 1 compression, 2 power, 3 exhaust."""

AIR_PA = 100_000.0
POLYTROPIC = 1.3
ROD_RATIO = 3.5
"""Length of the connecting rod in crank radii; a usual figure."""


def full_load_nm(spec: EngineSpec, speed_rpm: float) -> float:
    """Give the mean shaft torque at full throttle: a parabola about the peak, never below zero."""
    offset = speed_rpm / spec.peak_torque_rpm - 1.0
    return max(0.0, spec.peak_torque_nm * (1.0 - spec.roundness * offset * offset))


def drag_nm(spec: EngineSpec, speed_rpm: float, filling: float) -> float:
    """Give friction plus pumping loss, positive; an emptier cylinder costs more pumping."""
    friction = spec.friction_nm + spec.friction_nm_per_krpm * speed_rpm / 1000.0
    return friction + spec.pumping_nm * (1.0 - filling)


def filling(spec: EngineSpec, opening: float, speed_rpm: float) -> float:
    """Give the charge as a share of the full one. Air through a throttle is choked: it does not grow with speed."""
    if opening * spec.choke_rpm >= speed_rpm:
        return 1.0
    return opening * spec.choke_rpm / speed_rpm


def indicated_nm(spec: EngineSpec, opening: float, speed_rpm: float) -> float:
    """Give the mean torque of the gas alone."""
    return filling(spec, opening, speed_rpm) * (full_load_nm(spec, speed_rpm) + drag_nm(spec, speed_rpm, 1.0))


def shaft_nm(spec: EngineSpec, opening: float, speed_rpm: float) -> float:
    """Give the mean torque at the crankshaft."""
    return indicated_nm(spec, opening, speed_rpm) - drag_nm(spec, speed_rpm, filling(spec, opening, speed_rpm))


def idle_opening(spec: EngineSpec) -> float:
    """Find the throttle opening that holds idle speed without load (by halving; 1e-9 of an opening)."""
    low, high = 0.0, 1.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        low, high = (low, middle) if shaft_nm(spec, middle, spec.idle_rpm) > 0 else (middle, high)
    return high


def peaks(spec: EngineSpec, factor: float) -> tuple[float, float]:
    """Give the highest torque in N·m and the highest power in kW of the full-load curve times `factor`."""
    speeds = range(1000, 6000)
    power_kw = max(full_load_nm(spec, rpm) * math.radians(rpm * 6) / 1000.0 for rpm in speeds)
    return factor * spec.peak_torque_nm, factor * power_kw


def _lever_m3(angle_rad: float, spec: EngineSpec) -> float:
    """Give dV/d(angle): torque per pascal in the cylinder, angle from top dead centre."""
    sine, cosine = math.sin(angle_rad), math.cos(angle_rad)
    half_stroke_volume = spec.displacement_cc * 1e-6 / 2
    return half_stroke_volume * (sine + sine * cosine / math.sqrt(ROD_RATIO**2 - sine * sine))


def _volume_m3(angle_rad: float, spec: EngineSpec) -> float:
    """Give the volume over the piston, angle from top dead centre."""
    swept = spec.displacement_cc * 1e-6
    sine = math.sin(angle_rad)
    down = 1.0 - math.cos(angle_rad) + ROD_RATIO - math.sqrt(ROD_RATIO**2 - sine * sine)
    return swept / (spec.compression_ratio - 1.0) + swept * down / 2


def gas_shape(spec: EngineSpec) -> tuple[float, ...]:
    """Give the gas torque of each step of the power stroke as a multiple of the cycle's mean: hot gas expanding."""
    middles = [(k + 0.5) * STEP_RAD for k in range(STEPS_PER_STROKE)]
    raw = [_lever_m3(a, spec) * _volume_m3(a, spec) ** -POLYTROPIC for a in middles]
    total = sum(raw)
    return tuple(value * STEPS_PER_CYCLE / total for value in raw)


def compression_shape(spec: EngineSpec) -> tuple[float, ...]:
    """Give the torque in N·m of a full charge over the steps of the power stroke; minus that, mirrored, before it."""
    bottom = _volume_m3(math.pi, spec)
    middles = [(k + 0.5) * STEP_RAD for k in range(STEPS_PER_STROKE)]
    return tuple(
        AIR_PA * ((bottom / _volume_m3(a, spec)) ** POLYTROPIC - 1.0) * _lever_m3(a, spec) for a in middles
    )


class Engine:
    """The engine as it turns: ask `torque_nm` for each crank step in order.

    `ignition`, `fuel`, `opening` (of the hand throttle, 0 to 1) and `factor` (filter, mixture, warmth) are set from
    outside at any time.
    """

    def __init__(self, spec: EngineSpec, rng: random.Random) -> None:
        self.spec = spec
        self.ignition = False
        self.fuel = True
        self.factor = 1.0
        self.idle = idle_opening(spec)
        self.opening = self.idle
        self.bowl_s = spec.bowl_s
        self.fired = 0
        self._gas_j = 0.0
        self._rng = rng
        self._step = 0
        self._recent_rpm: deque[float] = deque(maxlen=4)
        self._gas = gas_shape(spec)
        self._squeeze = compression_shape(spec)
        self._torques = [0.0] * STEPS_PER_STROKE

    def torque_nm(self, speed_rpm: float) -> float:
        """Give the mean torque over the next step, and go on to the step after it."""
        within = self._step % STEPS_PER_STROKE
        if within == 0:
            self._begin_stroke(self._step // STEPS_PER_STROKE, speed_rpm)
        self._step = (self._step + 1) % STEPS_PER_CYCLE
        return self._torques[within]

    def take_gas_j(self) -> float:
        """Give the work of the gas since the last time this was asked, in joules."""
        gas_j, self._gas_j = self._gas_j, 0.0
        return gas_j

    def burn_fuel(self, seconds: float, speed_rpm: float) -> None:
        """Draw on the carburettor's bowl while the fuel is shut off; an open valve fills it at once."""
        if self.fuel:
            self.bowl_s = self.spec.bowl_s
        elif speed_rpm > 0:
            self.bowl_s -= seconds

    def _throttle(self, speed_rpm: float) -> float:
        """Give the opening: the hand's, or the governor's, which shuts over 200 rpm about its set speed."""
        set_rpm = self.spec.governor_rpm
        if set_rpm is None:
            return max(self.idle, self.opening)
        return min(1.0, max(self.idle, (set_rpm + 100.0 - speed_rpm) / 200.0))

    def _begin_stroke(self, stroke: int, speed_rpm: float) -> None:
        """Settle the torque of the nine steps of a stroke."""
        self._recent_rpm.append(speed_rpm)
        opening = self._throttle(speed_rpm)
        charge = filling(self.spec, opening, speed_rpm)
        drag = drag_nm(self.spec, speed_rpm, charge)
        released = self.spec.release_share if speed_rpm < self.spec.release_below_rpm else 1.0
        squeeze = charge * released
        if stroke == POWER:
            gas = self._spark(opening, speed_rpm)
            self._torques = [g * gas + s * squeeze - drag for g, s in zip(self._gas, self._squeeze, strict=True)]
        elif stroke == COMPRESSION:
            self._torques = [-s * squeeze - drag for s in reversed(self._squeeze)]
        else:
            self._torques = [-drag] * STEPS_PER_STROKE

    def _spark(self, opening: float, speed_rpm: float) -> float:
        """Fire or not; gives the mean gas torque of this cycle.

        The curve is one of mean speeds: at the spark, after the compression, the crank is slower than that.
        """
        scatter = self._rng.gauss(1.0, self.spec.cycle_scatter)
        if not (self.ignition and self.bowl_s > 0 and speed_rpm >= self.spec.fires_above_rpm):
            return 0.0
        self.fired += 1
        mean_rpm = sum(self._recent_rpm) / len(self._recent_rpm)
        full = full_load_nm(self.spec, mean_rpm) * self.factor + drag_nm(self.spec, mean_rpm, 1.0)
        gas = filling(self.spec, opening, mean_rpm) * full * scatter
        self._gas_j += gas * 4.0 * math.pi
        return gas
