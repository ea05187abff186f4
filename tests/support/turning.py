"""A crankshaft whose motion and torque are known exactly, as pickup edges and load samples."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from leverarm_daemon.quantities.cycles import CycleAverager
from leverarm_daemon.records import CurvePoint

GRID_US = 20


@dataclass(frozen=True)
class Turning:
    """Constant shaft torque and acceleration, with pulsation over 720 degrees in torque and in speed.

    `torque_swing` is the amplitude of the brake torque's pulsation over the shaft torque, `speed_swing`
    that of the speed over the mean speed. `phase` turns the pulsation against pickup edges.
    """

    torque_nm: float = 18.0
    inertia_kg_m2: float = 0.08
    start_rpm: float = 3600.0
    sweep_rpm_s: float = -400.0
    seconds: float = 5.0
    arm_m: float = 0.5
    pulses_per_rev: float = 1.0
    load_hz: float = 80.0
    load_phase: float = 0.3
    torque_swing: float = 0.0
    speed_swing: float = 0.0
    phase: float = 0.0

    def averager(self, min_s: float = 0.25) -> CycleAverager:
        return CycleAverager(
            arm_m=self.arm_m, inertia_kg_m2=self.inertia_kg_m2, pulses_per_rev=self.pulses_per_rev,
            load_hz=self.load_hz, min_s=min_s,
        )

    def events(self) -> list[tuple[int, int | float, str]]:
        """Give (device_us, edge number or newtons, "edge" or "load"), in order of time."""
        t_s = np.arange(0, int(self.seconds * 1e6), GRID_US) / 1e6
        rate = self.start_rpm * np.pi / 30
        acceleration = self.sweep_rpm_s * np.pi / 30
        trend_rad = rate * t_s + acceleration * t_s**2 / 2
        crank_rad = trend_rad + 2 * self.speed_swing * np.sin(trend_rad / 2 + self.phase)
        brake_nm = self.torque_nm - self.inertia_kg_m2 * acceleration
        force_n = (brake_nm + self.torque_swing * self.torque_nm * np.cos(trend_rad / 2 + self.phase)) / self.arm_m
        turns = crank_rad / (2 * np.pi)
        edges = np.arange(1, int(turns[-1] * self.pulses_per_rev)) / self.pulses_per_rev
        edge_us = np.rint(np.interp(edges, turns, t_s) * 1e6).astype(int)
        integral = np.concatenate(([0.0], np.cumsum((force_n[1:] + force_n[:-1]) / 2) * GRID_US))
        periods = np.arange(int((self.seconds - 0.01) * self.load_hz)) + self.load_phase
        load_us = (periods / self.load_hz * 1e6).astype(int)
        means = np.diff(np.interp(load_us, t_s * 1e6, integral)) / np.diff(load_us)
        pickups = [(int(us), n, "edge") for n, us in enumerate(edge_us, start=1)]
        samples = [(int(us), float(force), "load") for us, force in zip(load_us[1:], means, strict=True)]
        return sorted([*pickups, *samples])

    def points(self, min_s: float = 0.25) -> list[CurvePoint]:
        return list(feed(self.averager(min_s), self.events()))


def feed(averager: CycleAverager, events: list[tuple[int, int | float, str]]) -> Iterator[CurvePoint]:
    """Feed events one by one and give the points as they come."""
    for device_us, what, kind in events:
        yield from averager.edge(device_us, int(what)) if kind == "edge" else averager.load(device_us, what)
