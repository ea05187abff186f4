"""The load cell and its delta-sigma converter, which gives the mean force over each conversion period."""

import random

from leverarm_simulators.scenario import CellSpec

FULL_COUNTS = 2**23 - 1
"""The converter's range is 24 bits with sign."""


class Cell:
    """Gathers force over time; `count` ends a conversion. `frozen` repeats the last count, as a hung converter does."""

    def __init__(self, spec: CellSpec, rng: random.Random) -> None:
        self.spec = spec
        self.period_us = round(1e6 / spec.rate_hz)
        self.frozen = False
        self._rng = rng
        self._newton_us = 0.0
        self._last = spec.offset_counts

    def gather(self, force_n: float, microseconds: float) -> None:
        """Add a stretch of constant force."""
        self._newton_us += force_n * microseconds

    def count(self, now_us: int) -> int:
        """End the conversion: give its count and begin the next one."""
        force_n = self._newton_us / self.period_us
        self._newton_us = 0.0
        if not self.frozen:
            drift_n = self.spec.drift_per_h * self.spec.full_n * now_us / 3.6e9
            seen_n = force_n + drift_n + self._rng.gauss(0.0, self.spec.noise_n)
            wanted = self.spec.offset_counts + round(seen_n * self.spec.counts_per_n)
            self._last = max(-FULL_COUNTS, min(FULL_COUNTS, wanted))
        return self._last
