"""The physical world of the stand: engine, brake, cell, heat and the person, joined by one turning inertia.

It advances from crank step to crank step (20 degrees). Torque is constant over a step, so that the speed at its end and
the time it takes are exact: J (w1^2 - w0^2) / 2 = torque x angle, time = 2 angle / (w0 + w1). The pickup's edges lie on
step boundaries, hence at exact times. What happens by the clock (conversions, ticks of the person, relay, heat) happens
between, in order. Nothing here knows the stand link, or what time it really is.
"""

import math
import random
from typing import NamedTuple, Protocol

from leverarm_simulators.brake import Brake
from leverarm_simulators.cell import Cell
from leverarm_simulators.engine import STEP_RAD, STEPS_PER_REV, Engine, peaks
from leverarm_simulators.heat import Heat
from leverarm_simulators.operator import TICK_US, Operator, Seen
from leverarm_simulators.scenario import Scenario

RPM = 30.0 / math.pi
TWO_STEPS_US = 2e6 * STEP_RAD
SLOW_US = 250_000
CREEP_RAD_S = 3.0


class Sink(Protocol):
    """Who listens to the sensors; times in microseconds since the world began."""

    def edge(self, us: int) -> None:
        """Take a pickup edge."""

    def load(self, us: int, count: int) -> None:
        """Take a conversion of the load cell."""

    def temp(self, us: int, name: str, centi_c: int) -> None:
        """Take a temperature in hundredths of a degree Celsius."""


class PullTruth(NamedTuple):
    """What nobody at a real stand can know: the true factor and peaks of a pull."""

    build: str
    factor: float
    torque_nm: float
    power_kw: float


class World:
    """The world. `set_run` and `set_fuel` are the front end's outputs, `inputs` its digital inputs."""

    def __init__(self, scenario: Scenario, seed: int, sink: Sink) -> None:
        rng = random.Random(seed)
        self._seed = seed
        self._by_pull = {name: random.Random(f"{seed} {name}") for name in ("engine", "operator")}
        self.scenario = scenario
        self.sink = sink
        self.engine = Engine(scenario.engine, self._by_pull["engine"])
        self.brake = Brake(scenario.brake)
        self.cell = Cell(scenario.cell, random.Random(rng.random()))
        self.heat = Heat(scenario.heat)
        self.operator = Operator(scenario, self._by_pull["operator"])
        self._mixture_rng = random.Random(rng.random())
        self._mixture = 1.0
        self.truth: list[PullTruth] = []
        self.pickup = True
        self._lamp = False
        self._prepare_turning()
        self._prepare_clock()

    def _prepare_turning(self) -> None:
        self.speed_rad_s = 0.0
        self.engine_j = self.brake_j = self.cord_j = 0.0
        self._two_per_j = 2.0 * STEP_RAD / self.scenario.rotor.inertia_kg_m2
        self._edge_every = STEPS_PER_REV // self.scenario.rotor.pulses_per_rev
        self._steps = 0
        self._next_rad_s = 0.0
        self._force_n = 0.0
        self._cord_rad = 0.0
        self._cords = self._pulls = 0
        self._tops_us = (-2e9, -1e9, 0.0)

    def _prepare_clock(self) -> None:
        self.now_us = 0.0
        self._gathered_us = 0.0
        self._slow_brake_j = 0.0
        self._ends_us = math.inf
        self._relay_us = math.inf
        self._load_us, self._tick_us, self._slow_us = float(self.cell.period_us), 0.0, 0.0
        self._alarm_us = 0.0

    # --- the front end's side ---

    def set_run(self, on: bool) -> None:
        """Energise or drop the run relay; a relay takes its time to drop."""
        if on == self._lamp:
            return
        self._lamp = on
        if on:
            self.engine.ignition, self._relay_us = True, math.inf
        else:
            self._relay_us = self.now_us + self.scenario.wiring.relay_ms * 1000.0
        self._set_alarm()

    def set_fuel(self, on: bool) -> None:
        """Open or shut the fuel valve."""
        self.engine.fuel = on

    def inputs(self) -> tuple[str, ...]:
        """Name the digital inputs that are closed or true now."""
        hands = self.operator.hands
        names = ["loop"]
        if hands.shield_shut:
            names.append("shield")
        if hands.key:
            names.append("key")
        if self.scenario.wiring.throttle_switch and hands.opening > 0.5:
            names.append("throttle")
        return tuple(names)

    # --- for people and tests ---

    @property
    def speed_rpm(self) -> float:
        """The speed at the beginning of the present crank step."""
        return self.speed_rad_s * RPM

    @property
    def tacho_rpm(self) -> float:
        """The mean speed of the last two whole turns, as a tachometer on the bench shows it."""
        return 120e6 / (self._tops_us[2] - self._tops_us[0]) if self.speed_rad_s > 0.0 else 0.0

    def spin(self, speed_rpm: float) -> None:
        """Set it turning at this speed, from now on."""
        self.speed_rad_s = speed_rpm / RPM
        self._gathered_us = self.now_us
        self._begin_step(self.now_us)

    # --- time ---

    def advance(self, until_us: float) -> None:
        """Go on to this time."""
        while True:
            if self._alarm_us <= self._ends_us:
                if self._alarm_us > until_us:
                    break
                self._ring()
            elif self._ends_us > until_us:
                break
            else:
                self._finish_step()
        self.now_us = until_us

    def _set_alarm(self) -> None:
        self._alarm_us = min(self._load_us, self._tick_us, self._slow_us, self._relay_us)

    def _ring(self) -> None:
        """Do what is due by the clock next."""
        now_us = self.now_us = self._alarm_us
        if now_us == self._relay_us:
            self.engine.ignition, self._relay_us = False, math.inf
        elif now_us == self._load_us:
            self._load_us += self.cell.period_us
            self._convert(now_us)
        elif now_us == self._tick_us:
            self._tick_us += TICK_US
            self._tick(now_us)
        else:
            self._slow_us += SLOW_US
            self._slow(now_us)
        self._set_alarm()

    def _convert(self, now_us: float) -> None:
        self.cell.gather(self._force_n, now_us - self._gathered_us)
        self._gathered_us = now_us
        self.sink.load(int(now_us), self.cell.count(int(now_us)))

    def _slow(self, now_us: float) -> None:
        """Let heat flow, and report the temperatures."""
        seconds = SLOW_US / 1e6
        brake_w = (self.brake_j - self._slow_brake_j) / seconds
        self._slow_brake_j = self.brake_j
        self.heat.advance(seconds, self.speed_rpm, self.engine.take_gas_j() / seconds, brake_w)
        self.brake.warm_to(self.heat.drum_c)
        self.engine.burn_fuel(seconds, self.speed_rpm)
        self.engine.factor = self._factor()
        self.sink.temp(int(now_us), "head", round(self.heat.head_c * 100))
        self.sink.temp(int(now_us), "drum", round(self.heat.drum_c * 100))

    def _factor(self) -> float:
        """Give what filter, mixture and warmth together make of full-load torque."""
        spec = self.scenario.engine
        warmth = 1.0 + spec.drift_per_k * (self.heat.head_c - spec.drift_from_c)
        return self.scenario.filters.get(self.operator.hands.filter, 1.0) * self._mixture * warmth

    # --- the person ---

    def _tick(self, now_us: float) -> None:
        """Let the person look, and take over what the hands did."""
        hands = self.operator.hands
        self.operator.tick(Seen(now_us / 1e6, self.tacho_rpm, self._lamp))
        self.engine.opening = hands.opening
        self.brake.pull_n = hands.strap_n
        self.brake.failed = not hands.strap_whole
        if hands.pulls != self._pulls:
            self._pulls = hands.pulls
            self._begin_pull()
        if hands.cords != self._cords:
            self._cords = hands.cords
            self._cord_rad = self.scenario.operator.cord_turns * 2.0 * math.pi
            if self.speed_rad_s == 0.0:
                self._begin_step(now_us)

    def _begin_pull(self) -> None:
        """Draw this pull's mixture, and write down the truth about it.

        Cycles and hands are drawn anew for each pull, so that the moment at which a person allows a start, which no
        seed can tell, changes little.
        """
        for name, rng in self._by_pull.items():
            rng.seed(f"{self._seed} {name} {self._pulls}")
        self._mixture = self._mixture_rng.gauss(1.0, self.scenario.engine.pull_scatter)
        self.engine.factor = factor = self._factor()
        self.truth.append(PullTruth(self.operator.hands.filter, factor, *peaks(self.scenario.engine, factor)))

    # --- the crank ---

    def _cord_nm(self, square: float) -> float:
        """Give the torque of the cord over a step that without it would end at this square of the speed.

        A hand cannot follow for ever, and one that meets the compression draws the cord through slowly.
        """
        hand_rad_s = self.scenario.operator.hand_rpm / RPM
        self._cord_rad -= STEP_RAD
        pull_nm = self.scenario.operator.cord_nm * max(0.0, 1.0 - self.speed_rad_s / hand_rad_s)
        pull_nm = max(pull_nm, (CREEP_RAD_S * CREEP_RAD_S - square) / self._two_per_j)
        self.cord_j += pull_nm * STEP_RAD
        return pull_nm

    def _begin_step(self, now_us: float) -> None:
        """Work out speed and time at the end of the crank step that begins now."""
        speed = self.speed_rad_s
        engine_nm = self.engine.torque_nm(speed * RPM)
        brake_nm = self.brake.torque_nm
        self._force_n = self.brake.force_n()
        square = speed * speed + (engine_nm - brake_nm) * self._two_per_j
        if self._cord_rad > 0.0:
            square += self._cord_nm(square) * self._two_per_j
        if square <= 0.0:
            self._stand_still()
            return
        self.engine_j += engine_nm * STEP_RAD
        self.brake_j += brake_nm * STEP_RAD
        self._next_rad_s = math.sqrt(square)
        self._ends_us = now_us + TWO_STEPS_US / (speed + self._next_rad_s)

    def _stand_still(self) -> None:
        self.speed_rad_s = self._next_rad_s = self._force_n = 0.0
        self._ends_us = math.inf

    def _finish_step(self) -> None:
        """Take the crank to the end of its step: gather the force, tell the pickup, go on."""
        now_us = self.now_us = self._ends_us
        self.cell.gather(self._force_n, now_us - self._gathered_us)
        self._gathered_us = now_us
        self.speed_rad_s = self._next_rad_s
        self._steps += 1
        if self._steps % STEPS_PER_REV == 0:
            self._tops_us = (*self._tops_us[1:], now_us)
        self._begin_step(now_us)
        if self._steps % self._edge_every == 0 and self.pickup:
            self.sink.edge(int(now_us))
