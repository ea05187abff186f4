"""Whatever dies, hangs or is missing on the data side: the guard answers as before, and no line is lost.

The guard's answers are timed by a peer on its pseudo-terminal, in blocks with and without the outage in turn.
"""

import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from leverarm_daemon.store.reader import Reader
from support.broker import broker, free_port
from support.household import Household, until
from support.peer import Peer

BLOCK_S = 1.5
PAIRS = 2
RATE = 250.0
WORST_RATIO = 1.2


class Switch:
    """A broker that can be frozen, stopped and started again on its port."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.port = free_port()
        self._stack = ExitStack()

    def start(self) -> None:
        self.process = self._stack.enter_context(broker(self._folder, self.port)).process

    def kill(self) -> None:
        self._stack.close()

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)
        self._stack.close()

    def freeze(self) -> None:
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self.process.send_signal(signal.SIGCONT)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[tuple[Household, Peer, Switch]]:
    """Guard, recorder, API and broker around a peer that only keeps time."""
    mosquitto = Switch(tmp_path)
    household = Household(tmp_path)
    try:
        mosquitto.start()
        household.start_stand("--file", "mqtt.host=127.0.0.1", "--file", f"mqtt.port={mosquitto.port}")
        household.kill("stand", signal.SIGTERM)
        with Peer(tmp_path / "stand-link", RATE) as peer:
            household.start("guard", "recorder", "api")
            until(lambda: household.view().link == "up" and household.view().recorder, "everything is up", 20)
            yield household, peer, mosquitto
    finally:
        household.end()
        mosquitto.kill()


def p99(times_ms: list[float]) -> float:
    return sorted(times_ms)[int(0.99 * (len(times_ms) - 1))]


def surely_above(during: list[float], before: list[float], ratio: float) -> bool:
    """Tell whether the 99th percentile rose by more than this ratio, beyond the scatter of 2,000 bootstrap draws.

    A quarter of a millisecond is allowed beside it: below that the ratio compares the machine's noise with itself.
    """
    rng = random.Random(1)
    ratios = sorted(
        (p99(rng.choices(during, k=len(during))) - 0.25) / p99(rng.choices(before, k=len(before))) for _ in range(500)
    )
    return ratios[5] > ratio


def compare(peer: Peer, begin: Callable[[], None], end: Callable[[], None]) -> tuple[list[float], list[float]]:
    """Time answers in blocks without and with an outage, in turn."""
    before: list[float] = []
    during: list[float] = []
    for _ in range(PAIRS):
        before += peer.during(BLOCK_S)
        begin()
        during += peer.during(BLOCK_S)
        end()
        time.sleep(0.5)
    return before, during


def outages(house: Household, mosquitto: Switch) -> dict[str, tuple[Callable[[], None], Callable[[], None]]]:
    def freeze(name: str) -> tuple[Callable[[], None], Callable[[], None]]:
        return lambda: house.kill(name, signal.SIGSTOP), lambda: house.kill(name, signal.SIGCONT)

    return {
        "api hung": freeze("api"),
        "api killed": (lambda: house.kill("api"), lambda: house.start("api")),
        "api stopped": (lambda: house.kill("api", signal.SIGTERM), lambda: house.start("api")),
        "broker hung": (mosquitto.freeze, mosquitto.thaw),
        "broker killed": (mosquitto.kill, mosquitto.start),
        "broker stopped": (mosquitto.stop, mosquitto.start),
        "recorder hung": freeze("recorder"),
    }


@pytest.mark.timeout(300)
def test_outages_leave_the_guards_answers_alone_and_lose_no_line(house: tuple[Household, Peer, Switch]) -> None:
    household, peer, mosquitto = house
    heard_from = peer.edges
    slower = []
    for name, (begin, end) in outages(household, mosquitto).items():
        before, during = compare(peer, begin, end)
        expected = PAIRS * BLOCK_S * RATE
        assert len(before) > 0.95 * expected, f"{name}: answers are missing"
        assert len(during) > 0.95 * expected, f"{name}: answers are missing"
        print(f"{name:<15} p99 {p99(before):.2f} ms before, {p99(during):.2f} ms during, {len(during)} answers")
        if surely_above(during, before, WORST_RATIO):
            slower.append(name)
    assert not slower
    sent = peer.edges
    with Reader(household.stand.store) as store:
        run = store.runs()[0]
        until(lambda: edges_of(store, run.id)[-1] >= sent, "all edges are stored", 15)
        stored = edges_of(store, run.id)
    assert stored[0] <= heard_from, "stored since the link was up"
    assert stored == list(range(stored[0], stored[-1] + 1)), "an edge is missing or stored twice"


def edges_of(store: Reader, run_id: int) -> list[int]:
    raw, damaged = store.raw_between(run_id, 0, 2**62)
    assert damaged == 0
    return [count for _, count in raw.edges]


@pytest.mark.timeout(60)
def test_a_guard_that_is_held_up_now_and_then_is_noticed(house: tuple[Household, Peer, Switch]) -> None:
    """The control: 10 ms of standstill twenty times a second must fail the same judgement."""
    household, peer, _ = house
    stop = threading.Event()

    def hold_up() -> None:
        while not stop.wait(0.05):
            household.kill("guard", signal.SIGSTOP)
            time.sleep(0.010)
            household.kill("guard", signal.SIGCONT)

    threads: list[threading.Thread] = []

    def begin() -> None:
        stop.clear()
        threads.append(threading.Thread(target=hold_up))
        threads[-1].start()

    def end() -> None:
        stop.set()
        threads[-1].join()

    before, during = compare(peer, begin, end)
    print(f"control: p99 {p99(before):.2f} ms before, {p99(during):.2f} ms during")
    assert surely_above(during, before, WORST_RATIO)
