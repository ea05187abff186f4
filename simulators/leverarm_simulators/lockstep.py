"""The whole tool in one process without a clock: world, front end, codec, guard and recorder, as fast as they run.

Time advances by the front end's main loop (5 ms), and only after the guard has answered, so equal seeds give equal raw
lines. Everything between the pickup's edge and the pull is the real thing; only processes and sockets are left out.
"""

from collections.abc import Callable
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import BadLine
from leverarm_daemon.guard import words
from leverarm_daemon.guard.process import make_setup
from leverarm_daemon.guard.state import Action, Asked, Damaged, Event, GuardState, Heard, LinkUp, Remember, Send, Tick
from leverarm_daemon.guard.step import step
from leverarm_daemon.ipc.messages import Allow, Line, Note, Reset, Select, Stop
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.records import GuardView, Pull, Trip
from leverarm_daemon.stand.codec import Decoder, Lines, encode, unseal
from leverarm_daemon.store.changes import Batch
from leverarm_simulators.campaign import Order, Seen, campaign
from leverarm_simulators.faults import Fault, Faults
from leverarm_simulators.front_end import POLL_US, SimulatedStand
from leverarm_simulators.result import Result, judge
from leverarm_simulators.scenario import Scenario
from leverarm_simulators.world import PullTruth

WHO = "campaign"
CLIENT = 1
TICK_POLLS = 4
LOOK_POLLS = 20
"""Turns of the front end's main loop (5 ms) between two looks: of the guard at its clock, of the campaign."""
UTC_NS = 1_767_225_600_000_000_000
"""The host's clock when the simulation begins: 2026-01-01, so that equal seeds give equal items."""
MONO_NS = 1_000_000_000

Item = Line | Note


class Lockstep:
    """One stand with its guard. `take` gets every item that the guard would send to the recorder."""

    def __init__(
        self, scenario: Scenario, stand_file: StandFile, seed: int, take: Callable[[Item], None],
        faults: tuple[Fault, ...] = (),
    ) -> None:
        self.stand_file = stand_file
        self.stand = SimulatedStand(scenario, stand_file.stand.name, seed, self._hear_later)
        self._take = take
        self._setup = make_setup(stand_file)
        self._state = GuardState()
        self._decoder, self._lines = Decoder(), Lines()
        self._faults = Faults(faults, seed)
        self._heard: list[bytes] = []
        self._items = 0
        self._polls = 0
        self._happen(LinkUp())

    @property
    def now_s(self) -> float:
        """Seconds since the simulation began."""
        return self.stand.now_us / 1e6

    def view(self) -> GuardView:
        """Give the guard's view."""
        return words.view(self._setup, self._state, self._mono_ns())

    def advance(self) -> None:
        """Go on by one turn of the front end's main loop, and let the guard answer."""
        self._faults.advance(self.stand)
        self.stand.advance(self.stand.now_us + POLL_US)
        while self._heard:
            self._hear(self._heard.pop(0))
        self._polls += 1
        if self._polls % TICK_POLLS == 0:
            self._happen(Tick(recorder=True))

    def order(self, order: Order) -> None:
        """Ask the guard for something, as a person would."""
        revision = self._state.revision
        if order.word == "stop":
            self._happen(Asked(CLIENT, Stop(WHO)))
        elif order.word == "allow":
            self._happen(Asked(CLIENT, Allow(WHO, revision)))
        elif order.word == "reset":
            self._happen(Asked(CLIENT, Reset(WHO, revision)))
        else:
            build = self.stand_file.build(order.build)
            assert build is not None, order  # noqa: S101
            self._happen(Asked(CLIENT, Select(WHO, revision, build)))

    def _mono_ns(self) -> int:
        return MONO_NS + int(self.stand.now_us) * 1000

    def _hear_later(self, line: bytes) -> None:
        """Lines written within a turn are read after it: the guard is another process."""
        self._heard += self._lines.feed(self._faults.wire(line))

    def _hear(self, line: bytes) -> None:
        try:
            frame = self._decoder.decode(unseal(line))
        except BadLine:
            self._happen(Damaged())
            return
        text = line.decode("ascii")
        self._items += 1
        mono_ns = self._mono_ns()
        self._take(Line(self._items, mono_ns, UTC_NS + mono_ns, frame.device_us, text))
        self._happen(Heard(frame))

    def _happen(self, event: Event) -> None:
        self._state, actions = step(self._setup, self._state, event, self._mono_ns())
        for action in actions:
            self._act(action)

    def _act(self, action: Action) -> None:
        if isinstance(action, Send):
            self.stand.feed(encode(action.frame))
        elif isinstance(action, Remember):
            self._items += 1
            mono_ns = self._mono_ns()
            body = msgspec.json.encode(action.body).decode()
            self._take(Note(self._items, mono_ns, UTC_NS + mono_ns, action.kind, body))


class Recorded:
    """What the recorder's pipeline made of the items: pulls and trips, numbered as they were found."""

    def __init__(self, stand_file: StandFile) -> None:
        self.pulls: list[Pull] = []
        self.trips: list[Trip] = []
        self.pipeline = Pipeline(stand_file, boot="lockstep")

    def take(self, item: Item) -> None:
        """Pass one item through the pipeline."""
        for output in self.pipeline.take(item):
            if isinstance(output, Batch):
                self._keep(output)

    def _keep(self, batch: Batch) -> None:
        self.pulls += [replace(pull, id=len(self.pulls) + k) for k, pull in enumerate(batch.pulls, 1)]
        self.trips += [replace(trip, id=len(self.trips) + k) for k, trip in enumerate(batch.trips, 1)]


class Outcome(NamedTuple):
    """A campaign's result, all pulls found (short ones too), what was true of each, and the time it simulated."""

    result: Result
    pulls: list[Pull]
    truth: list[PullTruth]
    seconds: float


def run_campaign(scenario: Scenario, stand_file: StandFile, seed: int) -> Outcome:
    """Run a whole campaign; raises CampaignFailed."""
    recorded = Recorded(stand_file)
    lockstep = Lockstep(scenario, stand_file, seed, recorded.take)
    orders = campaign(scenario.builds(), scenario.campaign.brake_fails)
    next(orders)
    while True:
        for _ in range(LOOK_POLLS):
            lockstep.advance()
        view = recorded.pipeline.view = lockstep.view()
        kept = sum(pull.kept for pull in recorded.pulls)
        try:
            order = orders.send(Seen(lockstep.now_s, view, kept, len(recorded.trips)))
        except StopIteration:
            break
        if order is not None:
            lockstep.order(order)
    seconds = lockstep.now_s
    result = judge(scenario, stand_file.builds, recorded.pulls, recorded.trips, seconds)
    return Outcome(result, recorded.pulls, lockstep.stand.world.truth, seconds)
