"""Temperatures of cylinder head and brake drum: one heat capacity each, cooled by air that moves faster with speed."""

from leverarm_simulators.scenario import HeatSpec


def _next_c(now_c: float, air_c: float, watts: float, w_per_k: float, j_per_k: float, seconds: float) -> float:
    """Give the temperature after a short time (far shorter than j_per_k / w_per_k)."""
    return now_c + (watts - w_per_k * (now_c - air_c)) * seconds / j_per_k


class Heat:
    """Head and drum temperature in degrees Celsius."""

    def __init__(self, spec: HeatSpec) -> None:
        self.spec = spec
        self.head_c = spec.head_start_c
        self.drum_c = spec.drum_start_c

    def advance(self, seconds: float, speed_rpm: float, gas_w: float, brake_w: float) -> None:
        """Go on by a fraction of a second, with the mean power of the gas and of the brake."""
        spec, krpm = self.spec, speed_rpm / 1000.0
        head_w_per_k = spec.head_w_per_k + spec.head_w_per_k_krpm * krpm
        drum_w_per_k = spec.drum_w_per_k + spec.drum_w_per_k_krpm * krpm
        heat_w = spec.head_share * gas_w
        self.head_c = _next_c(self.head_c, spec.air_c, heat_w, head_w_per_k, spec.head_j_per_k, seconds)
        self.drum_c = _next_c(self.drum_c, spec.air_c, brake_w, drum_w_per_k, spec.drum_j_per_k, seconds)
