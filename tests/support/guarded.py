"""A guard without ports or clocks: events in, actions out, and a front end as simple as can be."""

from typing import TypeVar

from leverarm_daemon.config import (
    ApiSection,
    BrakeSection,
    EngineSection,
    LimitsSection,
    LinkSection,
    LoadSection,
    StandFile,
    StandSection,
)
from leverarm_daemon.guard.state import (
    Action,
    Asked,
    Deny,
    Event,
    Grant,
    GuardState,
    Heard,
    LinkUp,
    Send,
    Setup,
    Tick,
)
from leverarm_daemon.guard.step import step
from leverarm_daemon.ipc.messages import Allow, Ask, Reset, Select, Stop
from leverarm_daemon.records import (
    Answer,
    Build,
    Calibration,
    Command,
    Edge,
    Frame,
    GuardView,
    Hello,
    HostFrame,
    Limits,
    Load,
    Reply,
    RotatingPart,
    Status,
    Temps,
    Weather,
)

A = TypeVar("A", bound=Action)

BUILD = Build("plain", (RotatingPart("flywheel", 5000.0, "invented"),), 0.035, 19.0)


def stand_file(**changes: object) -> StandFile:
    """Give an invented stand file."""
    sections: dict[str, object] = {
        "stand": StandSection("bench"),
        "link": LinkSection("/nowhere"),
        "brake": BrakeSection(0.3),
        "load": LoadSection(200.0, Calibration((0.0, 1e-4), "2026-01-01", "2099-01-01")),
        "engine": EngineSection("invented"),
        "weather": Weather(990.0, 25.0, 0.0),
        "builds": (BUILD,),
        "limits": LimitsSection(head_warn_c=190.0, head_trip_c=220.0),
        "api": ApiSection(port=0),
    }
    return StandFile(**{**sections, **changes})  # type: ignore[arg-type]


class Bench:
    """Drives `step` with a clock that is advanced by hand; device and host clock run alike."""

    def __init__(self, stand: StandFile | None = None) -> None:
        self.setup = Setup(stand or stand_file(), "boot", -2.2e6, 2.2e6)
        self.state = GuardState()
        self.now_us = 5_000_000
        self.done: list[Action] = []
        self._seq = 0
        self._count = 0
        self.front = "held"
        self.cause: str | None = None
        self.inputs = frozenset({"loop", "shield"})
        self.limits_crc = 0

    def happen(self, event: Event) -> tuple[Action, ...]:
        """Let something happen now."""
        self.state, actions = step(self.setup, self.state, event, self.now_us * 1000)
        self.done += actions
        return actions

    def hear(self, frame: Frame) -> tuple[Action, ...]:
        """Let a frame arrive now; limits are echoed as a front end would."""
        actions = self.happen(Heard(frame))
        for action in actions:
            if isinstance(action, Send) and isinstance(action.frame, Limits) and self.front == "held":
                self.limits_crc = action.frame.crc()
        return actions

    def pass_ms(self, milliseconds: float) -> None:
        """Let time pass."""
        self.now_us += round(milliseconds * 1000)

    def seq(self) -> int:
        """Give the front end's next sequence number."""
        self._seq += 1
        return self._seq

    def hello(self, reset: str = "power", version: int = 1, load_hz: float = 80.0, ppr: float = 1.0,
              inputs: tuple[str, ...] = ("loop", "shield", "key"),
              temps: tuple[str, ...] = ("head", "drum"), stand: str = "bench") -> None:
        """Let the front end say hello."""
        self.hear(Hello(self.seq(), self.now_us, version, stand, "1", 30, ppr, load_hz, temps,
                        inputs, ("run", "fuel"), reset, True))

    def hear_status(self, **changes: object) -> tuple[Action, ...]:
        """Let a status line come."""
        fields: dict[str, object] = {
            "seq": self.seq(), "device_us": self.now_us, "state": self.front, "cause": self.cause,
            "inputs": self.inputs, "outputs": frozenset(), "limits_crc": self.limits_crc, "answered_seq": None,
            "answer_age_ms": 0, "edges": self._count, "glitches": 0,
        }
        return self.hear(Status(**{**fields, **changes}))  # type: ignore[arg-type]

    def status(self, **changes: object) -> str:
        """Let a status line come; give what was answered."""
        frame = one(self.hear_status(**changes), Send, Answer).frame
        assert isinstance(frame, Answer)
        return frame.say

    def edge(self, after_ms: float) -> tuple[Action, ...]:
        """Let an edge come after this interval."""
        self.pass_ms(after_ms)
        self._count += 1
        return self.hear(Edge(self.seq(), self.now_us, self._count))

    def load(self, count: int | None = 0) -> tuple[Action, ...]:
        """Let a load-cell count come."""
        return self.hear(Load(self.seq(), self.now_us, 0, (count,)))

    def temps(self, **readings: float | str) -> tuple[Action, ...]:
        """Let temperatures come."""
        return self.hear(Temps(self.seq(), self.now_us, tuple(readings.items())))

    def tick(self, recorder: bool = True) -> tuple[Action, ...]:
        """Let the loop look at the clock."""
        return self.happen(Tick(recorder))

    def ask(self, request: Ask | Stop | Allow | Reset | Select) -> tuple[Action, ...]:
        """Let client 7 ask."""
        return self.happen(Asked(7, request))

    def view(self) -> GuardView:
        """Give the guard's view."""
        return one(self.ask(Ask()), Grant).view

    def reply(self, accepted: bool = True, reason: str = "") -> tuple[Action, ...]:
        """Let the front end reply to the last command."""
        to = [a.frame.seq for a in self.done if isinstance(a, Send) and isinstance(a.frame, Command)][-1]
        return self.hear(Reply(self.seq(), self.now_us, to, accepted, reason))

    def ready(self) -> None:
        """Bring everything up to the point where a start may be allowed."""
        self.happen(LinkUp())
        self.hello()
        self.load()
        self.temps(head=40.0, drum=30.0)
        self.status()
        self.ask(Select("test", self.state.revision, BUILD))
        self.limits_crc = self.state.chosen.crc if self.state.chosen else 0
        self.status()
        self.tick()

    def run(self) -> None:
        """Bring the engine to running at 3,000 rpm."""
        self.ready()
        self.ask(Allow("test", self.state.revision))
        self.reply()
        self.front = "running"
        for _ in range(5):
            self.edge(20.0)
            self.load()
            self.status()


def one(actions: tuple[Action, ...], kind: type[A], frame: type[HostFrame] | None = None) -> A:
    """Give the only action of a kind (and, of lines, of a frame); fails when there is none or more."""
    of_kind = [action for action in actions if isinstance(action, kind)]
    found = [a for a in of_kind if frame is None or isinstance(getattr(a, "frame", None), frame)]
    assert len(found) == 1, actions
    return found[0]


def denied(actions: tuple[Action, ...]) -> tuple[str, ...]:
    """Give the reasons of a refusal."""
    return one(actions, Deny).reasons
