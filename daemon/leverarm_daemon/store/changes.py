"""What may be written to the store. Each change is one transaction."""

from leverarm_daemon.records import Pull, Record, Trip


class Channel(Record):
    """One raw channel of a run: what a whole number in it stands for, and its limit if any."""

    name: str
    unit: str
    source: str
    step: float
    high: float | None = None


class Opening(Record):
    """A new run, with everything known before it. Whatever run is still open is closed as failed.

    `continues`: device time and the guard's items go on where the newest run of the same guard boot
    stopped, so that the raw data of both belong together. `stand` and `build` are JSON.
    """

    utc: str
    boot: str
    version: str
    firmware: str
    simulated: bool
    continues: bool
    stand: str
    build: str | None
    channels: tuple[Channel, ...] = ()


class Chunk(Record):
    """Raw data from the guard's items `first_n` to `last_n`, packed; times in device_us."""

    first_n: int
    last_n: int
    from_us: int
    to_us: int
    blob: bytes


class Event(Record):
    """What happened beside the measurements; `body` is JSON, `n` the guard's item that told it."""

    n: int
    utc: str
    kind: str
    body: str


class Progress(Record):
    """How far the guard's items are stored.

    `n`: everything up to it lies in the store. `replay_after`: whoever starts anew follows the
    guard from there, to know what is going on. `context`: JSON of whoever does that.
    """

    boot: str
    n: int
    replay_after: int
    context: str


class Batch(Record):
    """What came of the guard's items since the last batch; pulls and trips get their ids here."""

    progress: Progress
    chunk: Chunk | None = None
    pulls: tuple[Pull, ...] = ()
    trips: tuple[Trip, ...] = ()
    events: tuple[Event, ...] = ()


class Closing(Record):
    """The end of the open run; `status` "ok" or "failed". `pulls` were cut off by it, and get their ids here."""

    utc: str
    status: str
    reason: str
    pulls: tuple[Pull, ...] = ()


class KeepChange(Record):
    """A person counts a pull, or leaves it out."""

    pull: int
    kept: bool
    who: str
    why: str
    utc: str


Change = Opening | Batch | Closing | KeepChange


class Saved(Record):
    """A change lies in the store: the run it belongs to, and the ids of its pulls and trips."""

    run_id: int | None
    pulls: tuple[int, ...] = ()
    trips: tuple[int, ...] = ()
