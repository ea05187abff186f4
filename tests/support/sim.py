"""Helpers for tests of the simulators."""

from leverarm_simulators.scenario import Scenario, load_scenario
from leverarm_simulators.world import World


class Tape:
    """Keeps what the sensors tell."""

    def __init__(self) -> None:
        self.edges: list[int] = []
        self.loads: list[tuple[int, int]] = []
        self.temps: list[tuple[int, str, int]] = []

    def edge(self, us: int) -> None:
        self.edges.append(us)

    def load(self, us: int, count: int) -> None:
        self.loads.append((us, count))

    def temp(self, us: int, name: str, centi_c: int) -> None:
        self.temps.append((us, name, centi_c))


IDLE_HANDS = ("operator.fit_s=1000.0",)
"""A setting with which the person keeps the hands off."""


def alone(*settings: str) -> tuple[World, Tape]:
    """Give a world in which nobody touches anything, and its tape."""
    return world(load_scenario("air_filter", IDLE_HANDS + settings))


def world(scenario: Scenario, seed: int = 1) -> tuple[World, Tape]:
    """Give a world and its tape."""
    tape = Tape()
    return World(scenario, seed, tape), tape
