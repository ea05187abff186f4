"""A Prony brake: a strap round the drum, tightened by hand; the arm carries its torque to the load cell."""

import math

from leverarm_simulators.scenario import BrakeSpec


def grip_m(spec: BrakeSpec, drum_c: float) -> float:
    """Give the torque for each newton at the slack end: a rope round a bollard, and less friction when hot."""
    friction = spec.friction * (1.0 - spec.fade_per_k * (drum_c - 20.0))
    return spec.drum_radius_m * (math.exp(friction * spec.wrap_rad) - 1.0)


class Brake:
    """The strap. `pull_n` is what the hand pulls at its slack end; a failed strap holds nothing."""

    def __init__(self, spec: BrakeSpec) -> None:
        self.spec = spec
        self.failed = False
        self.pull_n = 0.0
        self._grip_m = grip_m(spec, 20.0)

    def warm_to(self, drum_c: float) -> None:
        """Take the drum's temperature into account: a hot strap grips less."""
        self._grip_m = grip_m(self.spec, drum_c)

    @property
    def torque_nm(self) -> float:
        """The torque on a turning drum, against the turn."""
        return 0.0 if self.failed else self.pull_n * self._grip_m

    def force_n(self) -> float:
        """Give the force on the load cell while the drum turns."""
        return self.torque_nm / self.spec.arm_m
