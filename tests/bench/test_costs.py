"""What a line costs on its way: guard, live path, store. Ratios against a stated peer in the same run, interleaved.

The peer of decoding is a bare read-and-split of the same lines; the peer of the store's commit is one empty fsync.
"""

import os
import statistics
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.guard.process import make_setup
from leverarm_daemon.guard.state import GuardState, Heard, LinkUp
from leverarm_daemon.guard.step import step
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.stand.codec import Decoder, unseal
from leverarm_daemon.store.changes import Batch, Closing, Opening
from leverarm_daemon.store.reader import Reader
from leverarm_daemon.store.writer import Writer
from leverarm_simulators.stand_file import write_stand_file
from support.items import campaign_items

ROUNDS = 7


@pytest.fixture(scope="module")
def stand_file(tmp_path_factory: pytest.TempPathFactory) -> StandFile:
    return load_stand_file(write_stand_file("air_filter", tmp_path_factory.mktemp("stand")))


@pytest.fixture(scope="module")
def items(tmp_path_factory: pytest.TempPathFactory) -> list[Line | Note]:
    """A short campaign with two pulls and a trip."""
    return campaign_items(tmp_path_factory.mktemp("items"), "AB")[1]


def micro(work: Callable[[], object], count: int) -> float:
    """Give the CPU time of one unit in microseconds."""
    began = time.process_time()
    work()
    return (time.process_time() - began) / count * 1e6


def interleaved(rows: dict[str, Callable[[], object]], count: int) -> dict[str, list[float]]:
    """Measure everything in turn, several times."""
    found: dict[str, list[float]] = {name: [] for name in rows}
    for _ in range(ROUNDS):
        for name, work in rows.items():
            found[name].append(micro(work, count))
    return found


def show(found: dict[str, list[float]], peer: str, unit: str) -> None:
    base = statistics.median(found[peer])
    for name, values in found.items():
        middle = statistics.median(values)
        print(f"{name:<28} {middle:8.2f} us a {unit}  ({min(values):.2f} to {max(values):.2f}), {middle / base:6.1f} x")


def decode_all(bodies: Sequence[bytes]) -> None:
    decoder = Decoder()
    for body in bodies:
        decoder.decode(unseal(body))


def guard_all(stand_file: StandFile, bodies: Sequence[bytes]) -> None:
    decoder, setup = Decoder(), make_setup(stand_file)
    state, _ = step(setup, GuardState(), LinkUp(), 0)
    for body in bodies:
        frame = decoder.decode(unseal(body))
        state, _ = step(setup, state, Heard(frame), frame.device_us * 1000)


def record_all(stand_file: StandFile, items: Sequence[Line | Note]) -> list[Opening | Batch | Closing]:
    pipeline = Pipeline(stand_file, boot="bench")
    outputs = [output for item in items for output in pipeline.take(item)]
    return [*outputs, *pipeline.finish("stopped", "bench")]


def test_a_line_through_guard_and_recorder(stand_file: StandFile, items: list[Line | Note]) -> None:
    bodies = [item.text.encode() for item in items if isinstance(item, Line)]
    found = interleaved({
        "bare split (peer)": lambda: [body.split(b" ") for body in bodies],
        "decoded": lambda: decode_all(bodies),
        "decoded and judged": lambda: guard_all(stand_file, bodies),
        "through the recorder": lambda: record_all(stand_file, items),
    }, len(bodies))
    print()
    show(found, "bare split (peer)", "line")
    assert statistics.median(found["decoded and judged"]) < 500, "eight-fold room at 250 lines a second"


def test_a_commit_of_a_second(stand_file: StandFile, items: list[Line | Note], tmp_path: Path) -> None:
    outputs = record_all(stand_file, items)
    waits: list[float] = []
    syncs: list[float] = []
    writer = Writer(tmp_path / "store.sqlite")
    writer.start()
    with (tmp_path / "peer").open("wb") as peer:
        for output in outputs:
            began = time.perf_counter()
            writer.submit(output).result(10)
            waits.append((time.perf_counter() - began) * 1e3)
            began = time.perf_counter()
            peer.write(b"x" * 4096)
            peer.flush()
            os.fdatasync(peer.fileno())
            syncs.append((time.perf_counter() - began) * 1e3)
    writer.close()
    ratio = statistics.median(waits) / statistics.median(syncs)
    print(f"\ncommit of a second: median {statistics.median(waits):.2f} ms, longest {max(waits):.2f} ms, "
          f"{ratio:.1f} x a bare 4 kB fdatasync in turn, {len(waits)} commits")
    with Reader(tmp_path / "store.sqlite") as store:
        assert len(store.pulls()) == 2
