"""From the guard's items to what is stored and shown. A joint, and pure: no clock, no socket, no file.

Items go in one by one; out come openings of runs, batches for the store, and closings, in the order in
which they must be written. A batch is what one second of device time brought, or less where a pull, a
trip or an event is in it.

*Starting anew.* A recorder that comes back follows the guard from some seconds before the last stored
item, longer than any pull or trip lasts. Those items run through the detectors, so that a pull that was
going on is found whole; their raw data, events and trips are stored already and left out, and a pull
counts as stored when it began before the end of the last stored one.
"""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import msgspec

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import BadLine
from leverarm_daemon.ipc.messages import Line, Note
from leverarm_daemon.quantities.cycles import CycleAverager
from leverarm_daemon.quantities.force import force_n
from leverarm_daemon.recorder.ledger import Ledger
from leverarm_daemon.recorder.losses import Losses
from leverarm_daemon.recorder.pulls import Found, PullDetector
from leverarm_daemon.recorder.results import Gauges, inertia_trust, pull_of, under_way
from leverarm_daemon.recorder.trips import TripKeeper
from leverarm_daemon.records import (
    Build,
    CauseSeen,
    CurvePoint,
    Edge,
    Frame,
    GuardView,
    Hello,
    Live,
    Load,
    Pull,
    Quality,
    Record,
    Status,
    Temps,
    Trip,
    Value,
)
from leverarm_daemon.stand.codec import Decoder, unseal
from leverarm_daemon.states import IGNITION_LIVE
from leverarm_daemon.store.changes import Batch, Channel, Closing, Event, Opening, Progress
from leverarm_daemon.store.chunks import CELSIUS_STEP

BEFORE_A_PULL_US: Final = 15_000_000
"""What is replayed before the longest pull: time for the speed to settle, and for a trip to be over."""

EXPECTED_SHARE: Final = 0.5
"""Until something better is seen, the best torque is taken as this share of the build's own figure."""

LOAD_HZ_UNKNOWN: Final = 10.0
"""Taken until the front end's hello is heard: samples at least this often are no hole."""

BACK_US: Final = 1_000_000
"""Device time that runs back by more than this is another clock, and another run."""

Output = Opening | Batch | Closing


class Context(Record):
    """What a recorder that starts anew must know beside the replayed items."""

    build: Build | None = None
    hello: Hello | None = None
    simulated: bool = False
    latched: str | None = None
    best_nm: float = 0.0
    pulls_to_us: int = -1


class Pipeline:
    """One guard boot, item by item.

    `stored`: how far the items are in the store, of whatever boot. `run_open`: the run of this boot is
    open in the store, so that none needs opening. `view` is the guard's newest, set by whoever hears
    it; `losses` are items and lines of the stand link that never came or could not be read.
    """

    def __init__(
        self,
        stand: StandFile,
        boot: str = "",
        stored: Progress | None = None,
        *,
        run_open: bool = False,
        version: str = "",
    ) -> None:
        resumed = stored is not None and stored.boot == boot
        context = msgspec.json.decode(stored.context, type=Context) if stored else Context()
        self.view: GuardView | None = None
        self.losses = Losses()
        self._stand, self._boot, self._version = stand, boot, version
        self._run_open, self._continues = run_open and resumed, resumed
        replay_us = BEFORE_A_PULL_US + int(stand.pulls.longest_s * 1e6)
        self._ledger = Ledger(boot, stored if resumed else None, replay_us)
        self._build, self._hello, self._simulated = context.build, context.hello, context.simulated
        self._pulls_to_us = context.pulls_to_us if resumed else -1
        self._n = self._now_us = self._utc_ns = 0
        self._status: Status | None = None
        self._gauges = Gauges(stand)
        self._decoder = Decoder()
        self._trips = TripKeeper(stand.pickup.pulses_per_rev, context.latched)
        self._detector = PullDetector(stand.pulls, context.best_nm)
        self._averager = self._new_averager()
        self._on: dict[type[Any], Callable[[Any], None]] = {
            Edge: self._edge, Load: self._load, Temps: self._temps,
            Status: self._take_status, CauseSeen: self._cause, Hello: self._greet,
        }  # fmt: skip

    def take(self, item: Line | Note) -> list[Output]:
        """Take the next item; gives what is to be written now, which mostly is nothing."""
        frame = self._decode(item) if isinstance(item, Line) else None
        outputs = self._restart_clock(frame) if frame is not None else []
        self._utc_ns = item.utc_ns
        self._count(item.n)
        if isinstance(item, Note):
            self._note(item)
        elif frame is None:
            self.losses.items(1, self._now_us)
        else:
            self._now_us = max(self._now_us, frame.device_us)
            self._count_lines()
            if type(frame) in self._on:
                self._on[type(frame)](frame)
        known = self._run_open or self._hello is not None   # else an opening would know too little
        if self._ledger.due(self._now_us, eager=known):
            outputs += self._flush()
        return outputs

    def finish(self, status: str, reason: str) -> list[Output]:
        """Give what is still to be written, and the closing of the run with the pull that it cuts off.

        That does not count as stored: a recorder that soon follows the same guard finds the whole one.
        """
        pull = self._new_pull(self._detector.cut("recording ended"))
        outputs = self._flush()
        if self._run_open:
            outputs.append(Closing(self._utc(), status, reason, () if pull is None else (pull,)))
        self._run_open = False
        return outputs

    def live(self) -> Live:
        """Give the picture of the moment; whoever sends it knows about the store and the age."""
        self._tell_gauges()
        points = self._detector.points
        return Live(
            utc=self._utc(),
            device_us=self._now_us,
            guard=self.view,
            values=self._gauges.values(self._now_us, self._speed()),
            recorded=True,
            not_recorded_because="",
            pull=under_way(points),
            curve=tuple((point.speed_rpm, point.torque_nm, point.power_kw) for point in points),
            last_pull=None,
            dropped=0,
            age_ms=0,
        )

    def _count(self, n: int) -> None:
        self._n = n
        missing = self._ledger.item(n)
        self.losses.items(missing, self._now_us)
        if missing > 0:
            self._event("gap", {"missing": missing})

    def _count_lines(self) -> None:
        missing, self._decoder.lost = self._decoder.lost, 0
        self.losses.lines(missing, self._now_us, self._ledger.replaying)

    def _flush(self) -> list[Output]:
        batch = self._ledger.batch(self._now_us, msgspec.json.encode(self._context()).decode())
        if batch is None:
            return []
        opening = [] if self._run_open else [self._opening()]
        self._run_open = self._continues = True
        return [*opening, batch]

    def _context(self) -> Context:
        return Context(
            build=self._build,
            hello=self._hello,
            simulated=self._is_simulated(),
            latched=self._trips.latched,
            best_nm=self._detector.best_nm,
            pulls_to_us=self._pulls_to_us,
        )

    def _opening(self) -> Opening:
        return Opening(
            utc=self._utc(),
            boot=self._boot,
            version=self._version,
            firmware=self._hello.firmware if self._hello else "",
            simulated=self._is_simulated(),
            continues=self._continues,
            stand=msgspec.json.encode(_without_password(self._stand)).decode(),
            build=msgspec.json.encode(self._build).decode() if self._build else None,
            channels=_channels(self._stand, self._hello),
        )

    def _utc(self, ago_us: int = 0) -> str:
        """Give the time of the newest item, or some time before it, for people."""
        at = datetime.fromtimestamp(self._utc_ns / 1e9 - ago_us / 1e6, UTC)
        return at.isoformat(timespec="milliseconds")

    def _is_simulated(self) -> bool:
        if self.view is not None:
            return self.view.simulated
        return self._hello.simulated if self._hello else self._simulated

    # --- frames ----------------------------------------------------------------------------------

    def _decode(self, line: Line) -> Frame | None:
        """Give the frame in the guard's device time; None for a line that cannot be read."""
        try:
            return self._decoder.decode(unseal(line.text.encode("ascii", "replace")), line.device_us)
        except BadLine:
            return None

    def _restart_clock(self, frame: Frame) -> list[Output]:
        """Begin another run where device time runs back."""
        if frame.device_us >= self._now_us - BACK_US:
            return []
        self._keep_trip(self._trips.finish())
        outputs = self.finish("failed", "device time ran back: another clock on the stand link")
        self._ledger.clock_restarted()
        self._decoder.lost = 0  # a front end that starts anew counts anew
        self._continues, self._pulls_to_us, self._now_us = False, -1, frame.device_us
        self._trips = TripKeeper(self._stand.pickup.pulses_per_rev, self._trips.latched)
        self._restart_measuring()
        return outputs

    def _edge(self, frame: Edge) -> None:
        self._ledger.edge(frame.device_us, frame.count)
        self._trips.edge(frame.device_us)
        self._points(self._averager.edge(frame.device_us, frame.count))

    def _load(self, frame: Load) -> None:
        for at, count in enumerate(frame.counts):
            device_us = frame.device_us + at * frame.step_us
            newtons = None if count is None else force_n(count, self._stand.load.calibration)
            self._ledger.load(device_us, count)
            self._gauges.load(device_us, count, newtons)
            self._points(self._averager.load(device_us, newtons))

    def _temps(self, frame: Temps) -> None:
        self._gauges.temps(frame)
        for name, reading in frame.readings:
            self._ledger.temp(frame.device_us, name, reading)

    def _take_status(self, frame: Status) -> None:
        before, self._status = self._status, frame
        if before is None or (before.state, before.inputs) != (frame.state, frame.inputs):
            self._ledger.mark(frame.device_us, f"{frame.state} {','.join(sorted(frame.inputs))}")
        self._keep_trip(self._trips.status(frame, self._utc(), self._ledger.replaying))
        self._keep_pull(self._detector.pause(self._now_us, self.losses.newest_us))

    def _cause(self, frame: CauseSeen) -> None:
        self._event("cause", frame)
        self._trips.cause(frame, self._utc(), self.view.trip_rpm if self.view else None)

    def _greet(self, frame: Hello) -> None:
        known, self._hello = self._hello, frame
        self._event("hello", frame)
        if known is None or known.load_hz != frame.load_hz:
            self._averager = self._new_averager()

    # --- notes -----------------------------------------------------------------------------------

    def _note(self, note: Note) -> None:
        self._ledger.event(Event(note.n, self._utc(), note.kind, note.body))
        try:
            self._heed(note.kind, msgspec.json.decode(note.body))
        except (msgspec.MsgspecError, KeyError, TypeError):
            self.losses.items(1, self._now_us)

    def _heed(self, kind: str, body: Any) -> None:
        if kind == "select":
            self._keep_pull(self._detector.cut("another build"))
            self._build = msgspec.convert(body["build"], Build)
            self._restart_measuring()
        elif kind == "state":
            first, followed = body["first_cause"], body.get("followed_by", ())
            over = self._trips.guard(first, followed, self._now_us, self._utc(), self._ledger.replaying)
            self._keep_trip(over)

    def _event(self, kind: str, body: object) -> None:
        self._ledger.event(Event(self._n, self._utc(), kind, msgspec.json.encode(body).decode()))

    # --- what is found ---------------------------------------------------------------------------

    def _points(self, points: Sequence[CurvePoint]) -> None:
        for point in points:
            self._gauges.point(point)
            self._keep_pull(self._detector.take(point, self._throttle_open()))

    def _throttle_open(self) -> bool | None:
        wired = self._hello is not None and "throttle" in self._hello.inputs
        return "throttle" in self._status.inputs if wired and self._status else None

    def _keep_pull(self, found: Found | None) -> None:
        pull = self._new_pull(found)
        if pull is not None:
            self._pulls_to_us = pull.ended_us
            self._ledger.pull(pull)

    def _new_pull(self, found: Found | None) -> Pull | None:
        """Make a pull of what was found, unless that is stored already."""
        if found is None or found.points[0].device_us < self._pulls_to_us:
            return None
        self._tell_gauges()
        started_utc = self._utc(self._now_us - found.points[0].device_us)
        return pull_of(found, self._gauges, self._build, started_utc, self._is_simulated())

    def _tell_gauges(self) -> None:
        self._gauges.today = self._utc()[:10]
        self._gauges.inertia = inertia_trust(self._build, self.view.build if self.view else None)

    def _keep_trip(self, trip: Trip | None) -> None:
        if trip is not None:
            self._ledger.trip(msgspec.structs.replace(trip, simulated=self._is_simulated()))

    def _speed(self) -> Value:
        """Give the speed over the newest cycle."""
        speed_rpm = self._averager.crank.speed_rpm(self._now_us)
        if speed_rpm is not None:
            return Value(speed_rpm, "rpm")
        if self._status is None:
            return Value(None, "rpm", Quality.BAD, "the stand has not reported yet")
        if not self._trips.tacho.still(self._now_us):
            return Value(None, "rpm", Quality.BAD, "no whole cycle yet")
        if self._status.state in IGNITION_LIVE:
            return Value(0.0, "rpm", Quality.SUSPECT, "no pickup edge for a second")
        return Value(0.0, "rpm")

    def _restart_measuring(self) -> None:
        expected_nm = EXPECTED_SHARE * self._build.peak_torque_nm if self._build else 0.0
        self._detector = PullDetector(self._stand.pulls, expected_nm)
        self._averager = self._new_averager()

    def _new_averager(self) -> CycleAverager:
        load_hz = self._hello.load_hz if self._hello else 0.0
        return CycleAverager(
            arm_m=self._stand.brake.arm_m,
            inertia_kg_m2=self._build.inertia_kg_m2 if self._build else 0.0,
            pulses_per_rev=self._stand.pickup.pulses_per_rev,
            load_hz=load_hz if load_hz > 0 else LOAD_HZ_UNKNOWN,
            belt_ratio=self._stand.brake.belt_ratio,
        )


def _without_password(stand: StandFile) -> StandFile:
    if stand.mqtt is None:
        return stand
    return msgspec.structs.replace(stand, mqtt=msgspec.structs.replace(stand.mqtt, password=None))


def _channels(stand: StandFile, hello: Hello | None) -> tuple[Channel, ...]:
    """Describe the raw channels of a run."""
    limits = {"head": stand.limits.head_trip_c, "drum": stand.limits.drum_trip_c}
    names = hello.temps if hello else ()
    temps = (Channel(f"temp {name}", "°C", "stand link T", CELSIUS_STEP, limits.get(name)) for name in names)
    return (
        Channel("edge", "µs", "stand link E", 1.0),
        Channel("load", "counts", "stand link L", 1.0),
        Channel("mark", "", "stand link S", 1.0),
        *temps,
    )
