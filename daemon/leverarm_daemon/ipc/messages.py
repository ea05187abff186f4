"""Messages between our processes: one JSON object a line, told apart by the field `type`.

guard.sock takes Follow, Committed, Ask, Stop, Allow, Reset, Select. It answers Done or No; after Follow
come Start and then Line, Note and View for as long as both are there; Committed is not answered.
recorder.sock takes Keep, answered by Fine or No, and Watch, after which one Picture follows another.
"""

from typing import Annotated

import msgspec

from leverarm_daemon.records import Build, GuardView, Live, Record

PullId = Annotated[int, msgspec.Meta(ge=1, le=2**63 - 1)]
"""The number of a pull in the store, which holds no greater ones."""


class Follow(Record, tag="follow"):
    """Send everything after item `after` of guard boot `boot`; of another boot, all that is left."""

    boot: str
    after: int


class Committed(Record, tag="committed"):
    """Everything up to item `n` lies safe in the store."""

    boot: str
    n: int


class Ask(Record, tag="ask"):
    """Ask for the guard's view."""


class Stop(Record, tag="stop"):
    """Stop the engine. Never refused."""

    who: str


class Allow(Record, tag="allow"):
    """Allow a start; refused with an old revision, or while anything speaks against it."""

    who: str
    revision: int


class Reset(Record, tag="reset"):
    """Leave the tripped state; refused while the cause persists."""

    who: str
    revision: int


class Select(Record, tag="select"):
    """Put another build on the brake; only while held."""

    who: str
    revision: int
    build: Build


GuardRequest = Follow | Committed | Ask | Stop | Allow | Reset | Select


class Line(Record, tag="line"):
    """Item `n`: one good line of the stand link as it came, with the host's clocks at its arrival.

    `device_us` is the line's device time as the guard unwrapped it: give it to `Decoder.decode(text, near_us=...)`,
    so that whoever reads the line later, or starts in the middle, gets the same time.
    """

    n: int
    mono_ns: int
    utc_ns: int
    device_us: int
    text: str


class Note(Record, tag="note"):
    """Item `n`: what the guard itself did or was asked.

    `kind` is "command", "trip", "select", "link", ...; `body` is JSON.
    """

    n: int
    mono_ns: int
    utc_ns: int
    kind: str
    body: str


class View(Record, tag="view"):
    """The guard's view; ten times a second and at each change. Not numbered, never kept."""

    view: GuardView


class Start(Record, tag="start"):
    """The first message of a stream: this guard boot, and the first item that follows."""

    boot: str
    first: int


class Done(Record, tag="done"):
    """It was done; the revision after it, and the view."""

    view: GuardView


class No(Record, tag="no"):
    """It was refused.

    `kind`: "stale" (revision), "refused" (reasons speak against it), "bad" (not understood).
    """

    kind: str
    reasons: tuple[str, ...]


GuardReply = Start | Line | Note | View | Done | No


class Watch(Record, tag="watch"):
    """Send the live picture from now on."""


class Keep(Record, tag="keep"):
    """Count a pull, or leave it out; the reason is kept with it."""

    pull: PullId
    kept: bool
    who: str
    why: str


RecorderRequest = Watch | Keep


class Picture(Record, tag="picture"):
    """One live picture."""

    live: Live


class Fine(Record, tag="fine"):
    """The record was changed and is committed."""


RecorderReply = Picture | Fine | No
