"""What the guard knows, what can happen to it, and what it may do: frozen, so that `step` stays pure."""

from leverarm_daemon.config import StandFile
from leverarm_daemon.ipc.messages import Allow, Ask, Reset, Select, Stop
from leverarm_daemon.records import Build, Frame, GuardView, Hello, HostFrame, Record, Status


class Setup(Record):
    """What stays the same while the guard runs.

    Outside the two counts the load cell bears more than 110 % of its rating.
    """

    stand: StandFile
    boot: str
    load_low_counts: float
    load_high_counts: float


class Chosen(Record):
    """The build on the brake with the limits worked out from it and their CRC."""

    build: Build
    trip_rpm: float
    values: tuple[tuple[str, int], ...]
    crc: int


class Latch(Record):
    """The first cause and what followed it; kept over restarts until a person resets."""

    first: str | None = None
    followed: tuple[str, ...] = ()


class Link(Record):
    """The stand link as the guard sees it. `bad_ns` are the arrival times of the latest damaged lines."""

    up: bool = False
    hello: Hello | None = None
    status: Status | None = None
    line_ns: int = 0
    hello_asked_ns: int = 0
    limits_sent_ns: int = 0
    differ_since_us: int | None = None
    bad_ns: tuple[int, ...] = ()


class Engine(Record):
    """What the guard itself watches, on the device clock. Since-times are None while the condition does not hold."""

    edge_us: int | None = None
    interval_us: int | None = None
    speed_rpm: float | None = None
    odd: bool = False
    near_since_us: int | None = None
    load_us: int | None = None
    load_high_since_us: int | None = None
    head_warm_since_us: int | None = None
    head_hot_since_us: int | None = None
    head_faults: int = 0
    head_us: int | None = None
    drum_hot_since_us: int | None = None


class Pending(Record):
    """A command that waits for the front end's reply."""

    seq: int
    client: int
    word: str
    who: str
    until_ns: int


class GuardState(Record):
    """Everything that `step` needs to remember."""

    chosen: Chosen | None = None
    latch: Latch = Latch()
    link: Link = Link()
    engine: Engine = Engine()
    notices: tuple[str, ...] = ()
    asked: bool = False
    recorder_ns: int | None = None
    pending: tuple[Pending, ...] = ()
    tick_ns: int = 0
    followed: bool = False
    simulated: bool = False
    revision: int = 1
    seq: int = 0


# --- events --------------------------------------------------------------------------------------


class LinkUp(Record):
    """The port is open."""


class LinkDown(Record):
    """The port is gone."""

    why: str


class Heard(Record):
    """A good line came."""

    frame: Frame


class Damaged(Record):
    """A line came that could not be read."""


class Tick(Record):
    """Nothing came for a while, or it is time to look at the clock. `recorder`: one listens."""

    recorder: bool


class Asked(Record):
    """A client asked for something."""

    client: int
    request: Ask | Stop | Allow | Reset | Select


Event = LinkUp | LinkDown | Heard | Damaged | Tick | Asked


# --- actions -------------------------------------------------------------------------------------


class Send(Record):
    """Write a line to the stand."""

    frame: HostFrame


class Grant(Record):
    """Tell a client that it was done."""

    client: int
    view: GuardView


class Deny(Record):
    """Tell a client that it was refused, and why. `kind` as in messages.No."""

    client: int
    kind: str
    reasons: tuple[str, ...]


class Remember(Record):
    """Put a note among the items for the recorder."""

    kind: str
    body: dict[str, object]


class Save(Record):
    """Write build and latch to the disk before anything else happens."""


Action = Send | Grant | Deny | Remember | Save
