"""The words that all parts share: frozen records, the unit in each name.

Three clocks: `device_us` is the front end's (unwrapped to 64 bits by the codec), `mono_ns` the
host's monotonic, `utc` an ISO 8601 string for people.
"""

import binascii
from enum import StrEnum
from typing import Annotated, dataclass_transform

import msgspec

Name = Annotated[
    str, msgspec.Meta(min_length=1, max_length=200, description="text in quotes, 1 to 200 letters")
]
"""A text that may not be empty."""


@dataclass_transform(frozen_default=True, field_specifiers=(msgspec.field,))
class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of all records: frozen, and strict about its fields when decoded."""


class Quality(StrEnum):
    """How far a value may be trusted. Worst last."""

    GOOD = "good"
    SUSPECT = "suspect"
    BAD = "bad"


class Value(Record):
    """A value as it is shown and published. A bad value carries no number."""

    value: float | None
    unit: str
    quality: Quality = Quality.GOOD
    reason: str = ""


# --- the stand link, decoded ---------------------------------------------------------------------


class Hello(Record, tag="hello"):
    """The front end tells what it is.

    `reset` is why it started ("power", "watchdog", "brown-out", "soft"); empty when the hello was
    only asked for.
    """

    seq: int
    device_us: int
    version: int
    stand: str
    firmware: str
    wrap_bits: int
    pulses_per_rev: float
    load_hz: float
    temps: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    reset: str
    simulated: bool


class Edge(Record, tag="edge"):
    """One pickup edge; `count` is the number of edges since the front end started."""

    seq: int
    device_us: int
    count: int


class Load(Record, tag="load"):
    """Load-cell counts; sample k was ready at device_us + k * step_us.

    None is a conversion that failed.
    """

    seq: int
    device_us: int
    step_us: int
    counts: tuple[int | None, ...]


class Temps(Record, tag="temps"):
    """Temperatures by probe name, in °C, or the fault ("open", "short", "range", "stale")."""

    seq: int
    device_us: int
    readings: tuple[tuple[str, float | str], ...]


class Status(Record, tag="status"):
    """What the front end does, 50 times a second.

    `answered_seq` is the last status line whose answer arrived (None: none yet), `answer_age_ms`
    how old it is.
    """

    seq: int
    device_us: int
    state: str
    cause: str | None
    inputs: frozenset[str]
    outputs: frozenset[str]
    limits_crc: int
    answered_seq: int | None
    answer_age_ms: int
    edges: int
    glitches: int


class CauseSeen(Record, tag="cause-seen"):
    """The front end acted: `order` 1 is the first cause, the rest followed.

    Value and limit in device units.
    """

    seq: int
    device_us: int
    cause: str
    order: int
    at_us: int
    value: int
    limit: int


class Reply(Record, tag="reply"):
    """The answer to a command or to limits with the host's sequence number `to`."""

    seq: int
    device_us: int
    to: int
    accepted: bool
    reason: str


Frame = Hello | Edge | Load | Temps | Status | CauseSeen | Reply


class Answer(Record, tag="answer"):
    """The guard's answer to the status line `ack`: "ok", "stop" or the id of a cause that trips."""

    seq: int
    ack: int
    say: str


class Command(Record, tag="command"):
    """A single word to the front end: "hello", "allow" or "reset"."""

    seq: int
    word: str


class Limits(Record, tag="limits"):
    """Limits in the front end's units, whole numbers only. See PROTOCOL.md for the names."""

    seq: int
    values: tuple[tuple[str, int], ...]

    def text(self) -> str:
        """Write the limits as they stand in their line."""
        return " ".join(f"{name}={value}" for name, value in self.values)

    def crc(self) -> int:
        """Give the CRC-32 of that text, which a front end holding these limits reports in its status lines."""
        return binascii.crc32(self.text().encode("ascii"))


HostFrame = Answer | Command | Limits


# --- the engine under test -----------------------------------------------------------------------


class RotatingPart(Record):
    """A part that turns with the crankshaft. `max_rpm` None means that nobody knows its rating."""

    name: Name
    max_rpm: Annotated[float, msgspec.Meta(gt=0, le=100_000)] | None = None
    source: str = ""


class Build(Record):
    """The engine as it stands on the brake.

    `inertia_kg_m2` includes flywheel, drum and coupling.
    """

    name: Name
    rotating: Annotated[tuple[RotatingPart, ...], msgspec.Meta(min_length=1)]
    inertia_kg_m2: Annotated[float, msgspec.Meta(gt=0, le=100)]
    peak_torque_nm: Annotated[float, msgspec.Meta(gt=0, le=10_000)]
    parts: tuple[tuple[str, str], ...] = ()
    note: str = ""


class Calibration(Record):
    """Force from counts: newtons = c0 + c1 n + c2 n2 + c3 n3.

    `provisional` when made from one mass and zero.
    """

    coefficients: Annotated[tuple[float, ...], msgspec.Meta(min_length=2, max_length=4)]
    made: str
    expires: str
    provisional: bool = False
    note: str = ""


class Weather(Record):
    """Air at the stand: temperature, relative humidity from 0 to 1, and station pressure.

    Station pressure is what a barometer in the room shows, never reduced to sea level.
    """

    pressure_hpa: Annotated[float, msgspec.Meta(ge=800, le=1100)]
    air_c: Annotated[float, msgspec.Meta(ge=-40, le=60)]
    humidity: Annotated[float, msgspec.Meta(ge=0, le=1)]


# --- pulls and what is made of them --------------------------------------------------------------


class CurvePoint(Record):
    """Means over whole 720-degree cycles.

    Torque is shaft torque, uncorrected; power is torque times speed.
    """

    device_us: int
    speed_rpm: float
    force_n: float
    brake_torque_nm: float
    inertia_torque_nm: float
    torque_nm: float
    power_kw: float
    cycles: int


class Peak(Record):
    """The highest value of a curve and the speed at which it occurs."""

    value: float
    speed_rpm: float


class Pull(Record):
    """One pull: raw data lie in the store between `started_us` and `ended_us` of run `run_id`.

    `kind`: "pull", or "short" when it fell short of a pull's definition. `kept` is what counts:
    pulls start kept, short ones do not, and a person may change it; `kept_why` is the reason then.
    Torque and power peaks are corrected by `correction_factor`.
    """

    id: int
    run_id: int
    build: str
    started_utc: str
    started_us: int
    ended_us: int
    kind: str
    kept: bool
    ended_by: str
    peak_torque_nm: Peak
    peak_power_kw: Peak
    correction: str
    correction_factor: float
    inertia_share: float
    quality: Quality
    reason: str
    simulated: bool
    curve: tuple[CurvePoint, ...] = ()
    kept_why: str = ""


class Spread(Record):
    """A group's mean, standard deviation and 95 % interval of the mean; None: too few."""

    n: int
    mean: float
    sd: float | None
    low: float | None
    high: float | None


class Group(Record):
    """The kept pulls of one build. `provisional` below six pulls."""

    build: str
    pulls: tuple[int, ...]
    torque_nm: Spread
    power_kw: Spread
    provisional: bool


class Comparison(Record):
    """B minus A for one quantity ("torque_nm", "power_kw"), Welch's 95 % interval, the verdict.

    `verdict`: "higher", "lower" or "not settled". Differences in the unit and in per cent of A.
    """

    a: str
    b: str
    quantity: str
    unit: str
    n_a: int
    n_b: int
    difference: float
    low: float
    high: float
    difference_pct: float
    low_pct: float
    high_pct: float
    verdict: str
    sentence: str
    warnings: tuple[str, ...] = ()


class Trip(Record):
    """A trip as it is kept for ever. Speeds None where no pickup edge told them."""

    id: int
    run_id: int
    utc: str
    device_us: int
    first_cause: str
    followed_by: tuple[str, ...]
    edge_rpm: float | None
    limit_rpm: float | None
    peak_rpm: float | None
    overshoot_rpm: float | None
    simulated: bool


# --- what is shown while it happens --------------------------------------------------------------


class GuardView(Record):
    """What the guard knows, in words for people.

    `revision` changes with every change of state or limits. `inputs`: each input that the front end declares, in its
    order, and whether it is closed or on now.
    """

    boot: str
    revision: int
    state: str
    first_cause: str | None
    followed_by: tuple[str, ...]
    notices: tuple[str, ...]
    why_not: tuple[str, ...]
    build: str | None
    trip_rpm: float | None
    start_cap_rpm: float
    speed_rpm: float | None
    link: str
    simulated: bool
    recorder: bool
    inputs: tuple[tuple[str, bool], ...] = ()


class Live(Record):
    """One picture of the stand, 20 times a second.

    `age_ms` is that of the newest line of the stand link.
    """

    utc: str
    device_us: int
    guard: GuardView | None
    values: dict[str, Value]
    recorded: bool
    not_recorded_because: str
    pull: str
    curve: tuple[tuple[float, float, float], ...]
    last_pull: int | None
    dropped: int
    age_ms: int
