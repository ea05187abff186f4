"""Torque at the crankshaft: what the brake holds, and what the turning mass takes up or gives back.

Shaft torque = force x arm / belt ratio + J x (rate of change of the crank's angular speed).
In a pull the speed falls, so the second term is negative: the flywheel helps the engine against the
brake.
"""

import math
from typing import Final

KPA_PER_J_PER_CC: Final = 1000.0


def brake_torque_nm(force_n: float, arm_m: float, belt_ratio: float = 1.0) -> float:
    """Give the brake's torque as the crankshaft feels it.

    `arm_m` runs from the drum's centre to the line of the force. `belt_ratio` is crank turns a drum
    turn: a drum that turns slower than the crank needs more torque for the same power, so its
    torque is divided by the ratio.
    """
    return force_n * arm_m / belt_ratio


def inertia_torque_nm(inertia_kg_m2: float, acceleration_rad_s2: float) -> float:
    """Give the torque that speeds up the turning mass; its inertia as the crankshaft feels it."""
    return inertia_kg_m2 * acceleration_rad_s2


def inertia_share(inertia_nm: float, torque_nm: float) -> float:
    """Give the size of the inertia torque over that of the shaft torque, at most 1.

    An inertia that is wrong by x per cent makes the shaft torque wrong by x per cent times this
    share.
    """
    return min(1.0, abs(inertia_nm) / abs(torque_nm)) if torque_nm else float(bool(inertia_nm))


def bmep_kpa(torque_nm: float, displacement_cc: float, strokes: int) -> float:
    """Give brake mean effective pressure: work in `strokes` / 2 turns over the swept volume."""
    work_j = 2 * math.pi * torque_nm * strokes / 2
    return work_j / displacement_cc * KPA_PER_J_PER_CC
