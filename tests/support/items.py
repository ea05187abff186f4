"""The guard's items of a whole simulated campaign, made without a clock, and what a pipeline makes of them."""

from collections.abc import Iterable, Sequence
from pathlib import Path

import msgspec

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.recorder.pipeline import Output, Pipeline
from leverarm_daemon.records import Pull, Trip
from leverarm_daemon.stand.codec import seal
from leverarm_daemon.store.changes import Batch, Closing, Event, Opening, Progress
from leverarm_daemon.store.chunks import Raw, join, unpack
from leverarm_simulators.campaign import Seen, campaign
from leverarm_simulators.lockstep import Lockstep
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.stand_file import write_stand_file

Item = Line | Note
AFTERWARDS_S = 3.0


class Written:
    """What a pipeline wanted written, sorted by kind."""

    def __init__(self, outputs: Iterable[Output] = ()) -> None:
        self.outputs = list(outputs)

    def add(self, outputs: Sequence[Output]) -> None:
        self.outputs += outputs

    @property
    def batches(self) -> list[Batch]:
        return [output for output in self.outputs if isinstance(output, Batch)]

    @property
    def openings(self) -> list[Opening]:
        return [output for output in self.outputs if isinstance(output, Opening)]

    @property
    def closings(self) -> list[Closing]:
        return [output for output in self.outputs if isinstance(output, Closing)]

    @property
    def pulls(self) -> list[Pull]:
        return [pull for batch in self.batches for pull in batch.pulls]

    @property
    def trips(self) -> list[Trip]:
        return [trip for batch in self.batches for trip in batch.trips]

    @property
    def events(self) -> list[Event]:
        return [event for batch in self.batches for event in batch.events]

    @property
    def raw(self) -> Raw:
        return join(unpack(batch.chunk.blob) for batch in self.batches if batch.chunk)

    @property
    def progress(self) -> Progress | None:
        return self.batches[-1].progress if self.batches else None


def run(pipeline: Pipeline, items: Iterable[Item]) -> Written:
    """Put items through a pipeline."""
    written = Written()
    for item in items:
        written.add(pipeline.take(item))
    return written


def campaign_items(folder: Path, order: str, seed: int = 1) -> tuple[StandFile, list[Item]]:
    """Give the stand file and all items of a campaign that ends with a trip; `order` as in the scenario."""
    stand = load_stand_file(write_stand_file("air_filter", folder))
    scenario = load_scenario("air_filter", (f"campaign.order={order}",))
    items: list[Item] = []
    watching, seen = Pipeline(stand, "watching"), Written()

    def take(item: Item) -> None:
        items.append(item)
        seen.add(watching.take(item))

    lockstep = Lockstep(scenario, stand, seed, take)
    orders = campaign(scenario.builds(), scenario.campaign.brake_fails)
    next(orders)
    try:
        while True:
            lockstep.advance()
            pulls = sum(pull.kind == "pull" for pull in seen.pulls)
            wanted = orders.send(Seen(lockstep.now_s, lockstep.view(), pulls, len(seen.trips)))
            if wanted is not None:
                lockstep.order(wanted)
    except StopIteration:
        until_s = lockstep.now_s + AFTERWARDS_S
    while lockstep.now_s < until_s:
        lockstep.advance()
    return stand, items


class Front:
    """Writes the lines of a front end as a guard hands them on. Times in seconds of device time."""

    def __init__(self) -> None:
        self.items: list[Item] = []

    def line(self, kind: str, at_s: float, fields: str) -> Line:
        """Add one line of the stand link."""
        us = round(at_s * 1e6)
        n = len(self.items) + 1
        text = seal(f"{kind} {n} {us % 2**30} {fields}")
        item = Line(n, us * 1000, 1_700_000_000_000_000_000 + us * 1000, us, text)
        self.items.append(item)
        return item

    def hello(self, at_s: float, inputs: str = "loop,shield,key") -> None:
        self.line(
            "H", at_s,
            f"v=1 stand=s fw=0.1.0 wrap=30 ppr=1 load=80 temps=head,drum inputs={inputs} outputs=run,fuel "
            "reset=power sim=1",
        )  # fmt: skip

    def status(self, at_s: float, state: str = "running", why: str = "-", inputs: str = "key,loop,shield") -> None:
        self.line("S", at_s, f"st={state} why={why} in={inputs} out=- lim=00000000 ack=- age=0 n=0 odd=0")

    def note(self, at_s: float, kind: str, body: object) -> None:
        """Add what the guard did."""
        us = round(at_s * 1e6)
        text = msgspec.json.encode(body).decode()
        self.items.append(Note(len(self.items) + 1, us * 1000, 1_700_000_000_000_000_000 + us * 1000, kind, text))

    def edges(self, from_s: float, to_s: float, speed_rpm: float, count: int = 0) -> int:
        """Add edges at one a turn; gives the last one's number."""
        step_s = 60.0 / speed_rpm
        while from_s < to_s:
            count += 1
            self.line("E", from_s, str(count))
            from_s += step_s
        return count


