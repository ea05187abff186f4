"""Whatever dies, hangs or is missing on the data side: the guard answers as before, and no line is lost.

The guard's answers are timed by a peer on its pseudo-terminal, a thousand a second, in blocks of 0.1 s with and without
the outage in turn. Beside each other, so that what else the machine does falls on both; and judged by an interval, so
that only what is surely slower fails.

What this sees, measured on two busy cores by multiplying recorded answers, 48 trials each: answers 1.5 times as slow
were noticed in 48, 1.35 times in 26, 1.2 times in 1, equal ones in none; most were decided after four seconds. Of
single long stalls it sees those that double the 99th percentile of all answers together. It does not see fewer than
that, and not what is less than 1.2 times as slow. On a machine too noisy to tell it says so; only the control fails.
"""

import math
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest

from leverarm_daemon.store.reader import Reader
from support.broker import broker, free_port
from support.household import Household, until
from support.peer import Peer

RATE = 1000.0
BLOCK_S = 0.1
LEAST_PAIRS, MOST_PAIRS = 20, 80
WORST_RATIO = 1.2
"""A typical block's 99th percentile may be surely no more than so many times that of the block before it."""
SEEN_RATIO = 1.5
"""What would be noticed: measuring goes on until this is excluded, or the above exceeded."""
WORST_WHOLE = 2.0
"""The same for the 99th percentile of all answers together, which single stalls of the machine already move."""
PLAIN = ("slower", "as before")

Interval = tuple[float, float, float]
"""Low, value, high."""
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Outage(NamedTuple):
    """What begins and ends it, how many blocks it lasts, and what to wait after it."""

    begin: Callable[[], None]
    end: Callable[[], None]
    blocks: int
    settle_s: float


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


class Timing(NamedTuple):
    """Answers in ms, in pairs of blocks beside each other: without an outage, and during it."""

    pairs: list[tuple[list[float], list[float]]]

    def slower(self, factor: float) -> "Timing":
        """Give the same, with each answer during the outage taking so many times as long."""
        return Timing([(before, [factor * ms for ms in during]) for before, during in self.pairs])

    def typical(self) -> Interval:
        """Give how much the 99th percentile of a block rose: the median over the pairs."""
        ratios = np.array([p99(during) / p99(before) for before, during in self.pairs])
        return interval(len(ratios), lambda drawn: float(np.median(ratios[drawn])))

    def whole(self) -> Interval:
        """Give how much the 99th percentile of all answers rose."""
        before, during = ([np.array(blocks) for blocks in side] for side in zip(*self.pairs, strict=True))
        return interval(
            len(self.pairs),
            lambda drawn: p99(np.concatenate([during[k] for k in drawn]))
            / p99(np.concatenate([before[k] for k in drawn])),
        )

    def verdict(self) -> str:
        """Say "slower" or "as before" only where that is sure, else "cannot tell"."""
        low, _, high = self.typical()
        if low > WORST_RATIO or self.whole()[0] > WORST_WHOLE:
            return "slower"
        return "as before" if high < SEEN_RATIO else "cannot tell"

    def tell(self, name: str) -> str:
        """Give the figures."""
        counts = [sum(map(len, side)) for side in zip(*self.pairs, strict=True)]
        typical, whole = ("{1:.2f} ({0:.2f} to {2:.2f})".format(*one) for one in (self.typical(), self.whole()))
        return f"{name:<16} {counts} answers, p99 times {typical} in a block, {whole} in all: {self.verdict()}"


def p99(times_ms: Sequence[float] | Floats) -> float:
    return float(np.quantile(times_ms, 0.99, method="nearest"))


def interval(pairs: int, ratio: Callable[[Ints], float]) -> Interval:
    """Give a ratio with its 95 % interval: pairs are drawn anew, each with both its blocks."""
    rng = np.random.default_rng(1)
    drawn = sorted(ratio(rng.integers(0, pairs, pairs)) for _ in range(400))
    return drawn[10], ratio(np.arange(pairs)), drawn[-11]


def measure(
    peer: Peer, outage: Outage, factor: float = 1.0, until: Sequence[str] = PLAIN, most: int = MOST_PAIRS
) -> Timing:
    """Time answers without and with an outage in turn, until there is such a verdict, or `most` pairs."""
    found = Timing([])
    while len(found.pairs) < most:
        before = [peer.block(BLOCK_S) for _ in range(outage.blocks)]
        outage.begin()
        during = [peer.block(BLOCK_S) for _ in range(outage.blocks)]
        outage.end()
        time.sleep(outage.settle_s)
        pairs = zip(before, during, strict=True)
        found.pairs.extend((peer.answers_ms(a), peer.answers_ms(b)) for a, b in pairs)
        if len(found.pairs) % 10 == 0 and len(found.pairs) >= LEAST_PAIRS and found.slower(factor).verdict() in until:
            break
    return found.slower(factor)


def is_slower(peer: Peer, name: str, outage: Outage) -> tuple[bool, Timing]:
    """Tell whether an outage makes the answers slower; one that seems to is measured once more, all anew."""
    found = measure(peer, outage)
    print(found.tell(name))
    if found.verdict() != "slower":
        return False, found
    again = measure(peer, outage)
    print(again.tell("  once more"))
    return again.verdict() == "slower", found


def outages(house: Household, mosquitto: Switch) -> dict[str, Outage]:
    def frozen(name: str) -> Outage:
        return Outage(lambda: house.kill(name, signal.SIGSTOP), lambda: house.kill(name, signal.SIGCONT), 1, 0.02)

    def api_ends(how: int) -> Outage:
        return Outage(lambda: house.kill("api", how), lambda: house.start("api"), 5, 0.3)

    return {
        "api hung": frozen("api"),
        "api killed": api_ends(signal.SIGKILL),
        "api stopped": api_ends(signal.SIGTERM),
        "broker hung": Outage(mosquitto.freeze, mosquitto.thaw, 1, 0.02),
        "broker killed": Outage(mosquitto.kill, mosquitto.start, 5, 0.1),
        "broker stopped": Outage(mosquitto.stop, mosquitto.start, 5, 0.1),
        "recorder hung": frozen("recorder"),
    }


@pytest.mark.timeout(300)
def test_outages_leave_the_guards_answers_alone_and_lose_no_line(house: tuple[Household, Peer, Switch]) -> None:
    household, peer, mosquitto = house
    heard_from = peer.edges
    slower, pairs = [], []
    for name, outage in outages(household, mosquitto).items():
        is_slow, found = is_slower(peer, name, outage)
        slower += [name] if is_slow else []
        pairs += found.pairs
        assert not [ms for pair in found.pairs for block in pair for ms in block if ms == math.inf], "no answer"
    print(Timing(pairs).tell("all of them"))
    assert not slower
    assert Timing(pairs).verdict() != "slower"
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


NOTHING = Outage(lambda: None, lambda: None, 1, 0.02)


@pytest.mark.timeout(120)
def test_answers_that_take_half_as_long_again_are_noticed(house: tuple[Household, Peer, Switch]) -> None:
    """The control near the threshold: nothing happens, and each answer "during" it counts 1.5 times."""
    found = measure(house[1], NOTHING, SEEN_RATIO, until=("slower",), most=3 * MOST_PAIRS)
    print(found.tell(f"x {SEEN_RATIO}"))
    assert found.verdict() == "slower"


@pytest.mark.timeout(120)
@pytest.mark.parametrize(("every_s", "hold_s"), [(0.05, 0.010), (0.25, 0.030)], ids=["often", "now and then"])
def test_a_guard_that_is_held_up_is_noticed(
    house: tuple[Household, Peer, Switch], every_s: float, hold_s: float
) -> None:
    """The real control: the guard stands still for a moment, again and again."""
    household, peer, _ = house
    stop, threads = threading.Event(), list[threading.Thread]()

    def hold_up() -> None:
        while not stop.wait(every_s):
            household.kill("guard", signal.SIGSTOP)
            time.sleep(hold_s)
            household.kill("guard", signal.SIGCONT)

    def begin() -> None:
        stop.clear()
        threads.append(threading.Thread(target=hold_up))
        threads[-1].start()

    def end() -> None:
        stop.set()
        threads[-1].join()

    found = measure(peer, Outage(begin, end, 5, 0.05))
    print(found.tell("held up"))
    assert found.verdict() == "slower"
