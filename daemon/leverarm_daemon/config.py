"""The stand file: one TOML file that describes the stand. Typos are refused, not ignored."""

import math
import re
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import msgspec

from leverarm_daemon.allowed import Words, explain, shown
from leverarm_daemon.errors import ConfigError
from leverarm_daemon.records import Build, Calibration, Name, Record, Weather

Positive = Annotated[float, msgspec.Meta(gt=0, le=1e9)]

_DECIMAL_COMMA: Final = re.compile(r"^[^#\n=]*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$", re.MULTILINE)

LONGEST_SOCKET_PATH: Final = 100
"""Bytes. The kernel's own limit for a socket's path is a little above."""


class StandSection(Record):
    """Whose stand, and of which kind."""

    name: Annotated[
        str,
        msgspec.Meta(
            pattern="^[A-Za-z0-9_-]{1,40}$(?!\\n)",
            description="letters, digits, - and _, 1 to 40 of them",
        ),
    ]


class LinkSection(Record):
    """The stand link: a serial port.

    The stand stops the engine when the computer's answer is older than `answer_age_max_ms`.
    """

    port: Name
    baud: Annotated[int, msgspec.Meta(ge=9600, le=3_000_000)] = 921_600
    answer_age_max_ms: Annotated[int, msgspec.Meta(ge=60, le=500)] = 100


class BrakeSection(Record):
    """The brake: its arm reaches from the crank's centre to the load cell's line of action.

    `belt_ratio` is crank turns a drum turn; 1 when the drum sits on the crankshaft.
    """

    arm_m: Annotated[float, msgspec.Meta(gt=0, le=5)]
    belt_ratio: Annotated[float, msgspec.Meta(gt=0, le=50)] = 1.0


class PickupSection(Record):
    """The speed pickup, on the crankshaft."""

    pulses_per_rev: Annotated[float, msgspec.Meta(ge=0.5, le=120)] = 1.0


class LoadSection(Record):
    """The load cell."""

    rated_n: Positive
    calibration: Calibration


class EngineSection(Record):
    """The engine, as far as the stand must know it."""

    name: Name
    strokes: Literal[2, 4] = 4
    displacement_cc: Annotated[float, msgspec.Meta(gt=0, le=5000)] | None = None


class LimitsSection(Record):
    """Limits set by a person; the maker's figures are their ceiling. None: no such limit."""

    start_cap_rpm: Annotated[float, msgspec.Meta(ge=500, le=20_000)] = 3000.0
    head_warn_c: Annotated[float, msgspec.Meta(gt=0, le=500)] | None = None
    head_trip_c: Annotated[float, msgspec.Meta(gt=0, le=500)] | None = None
    drum_trip_c: Annotated[float, msgspec.Meta(gt=0, le=700)] = 300.0
    start_lapse_s: Annotated[float, msgspec.Meta(ge=10, le=600)] = 120.0


class PullsSection(Record):
    """What counts as a pull."""

    fall_rpm: Annotated[float, msgspec.Meta(ge=200, le=10_000)] = 1200.0
    shortest_s: Annotated[float, msgspec.Meta(gt=0, le=60)] = 3.0
    longest_s: Annotated[float, msgspec.Meta(gt=0, le=120)] = 15.0
    torque_share: Annotated[float, msgspec.Meta(gt=0, lt=1)] = 0.3


class ApiSection(Record):
    """Where the REST interface and the page listen."""

    host: Name = "127.0.0.1"
    port: Annotated[int, msgspec.Meta(ge=0, le=65_535)] = 8750


class MqttSection(Record):
    """A broker to publish to."""

    host: Name
    port: Annotated[int, msgspec.Meta(ge=1, le=65_535)] = 1883
    prefix: Annotated[
        str,
        msgspec.Meta(
            pattern="^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$(?!\\n)",
            max_length=80,
            description="letters, digits, - and _, in parts between slashes, up to 80 of them",
        ),
    ] = "leverarm"
    user: str | None = None
    password: str | None = None


class StandFile(Record):
    """The whole stand file."""

    stand: StandSection
    link: LinkSection
    brake: BrakeSection
    load: LoadSection
    engine: EngineSection
    weather: Weather
    builds: Annotated[tuple[Build, ...], msgspec.Meta(min_length=1)]
    pickup: PickupSection = PickupSection()
    limits: LimitsSection = LimitsSection()
    pulls: PullsSection = PullsSection()
    api: ApiSection = ApiSection()
    mqtt: MqttSection | None = None
    state_dir: Name = "/var/lib/leverarm"

    def build(self, name: str) -> Build | None:
        """Give the build of this name, or None."""
        return next((build for build in self.builds if build.name == name), None)

    @property
    def guard_sock(self) -> Path:
        """Where the guard listens."""
        return Path(self.state_dir, "guard.sock")

    @property
    def recorder_sock(self) -> Path:
        """Where the recorder listens."""
        return Path(self.state_dir, "recorder.sock")

    @property
    def store(self) -> Path:
        """The database; only the recorder writes it."""
        return Path(self.state_dir, "leverarm.sqlite")

    @property
    def active(self) -> Path:
        """What the guard must still know after a restart."""
        return Path(self.state_dir, "active.json")

    @property
    def token(self) -> Path:
        """The hash of the API's token."""
        return Path(self.state_dir, "token.json")

    @property
    def api_url(self) -> Path:
        """Where the API tells at which address it listens."""
        return Path(self.state_dir, "api.json")


def load_stand_file(path: Path) -> StandFile:
    """Read and check a stand file; raises ConfigError: file, key, value and what is allowed.

    A relative `state_dir` is taken from the stand file's own folder, `~` from the user's home.
    """
    raw = _read(path)
    for problem in _bad_numbers(raw):
        raise ConfigError(str(path), *problem)
    try:
        stand_file = msgspec.convert(raw, StandFile)
    except msgspec.ValidationError as error:
        raise ConfigError(str(path), *explain(error, raw, StandFile)) from None
    state_dir = path.absolute().parent / Path(stand_file.state_dir).expanduser()
    stand_file = msgspec.structs.replace(stand_file, state_dir=str(state_dir))
    for problem in _contradictions(stand_file):
        raise ConfigError(str(path), *problem)
    return stand_file


def _read(path: Path) -> dict[str, Any]:
    """Parse the file."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except IsADirectoryError:
        raise ConfigError(str(path), "the file", "is a folder", f"a file, perhaps {path / 'stand.toml'}") from None
    except OSError as error:
        raise ConfigError(str(path), "the file", f"cannot be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise ConfigError(str(path), f"line {line}", "is not text", "UTF-8") from None
    except (ValueError, RecursionError) as error:
        raise ConfigError(str(path), "the file", f"is not good TOML: {error}{_comma(path)}") from None


def _comma(path: Path) -> str:
    """Tell how to write the first number that has a decimal comma, if there is one."""
    found = _DECIMAL_COMMA.search(path.read_text(encoding="utf-8"))
    return "" if found is None else f". Write {found[1]}.{found[2]}, with a point"


def _bad_numbers(raw: dict[str, Any]) -> Iterator[Words]:
    """Find numbers that no setting takes: NaN, infinities, and whole numbers beyond 64 bits."""
    todo: list[tuple[str, Any]] = [("", raw)]
    while todo:
        key, value = todo.pop()
        if isinstance(value, dict):
            todo += [(f"{key}.{name}".lstrip("."), inner) for name, inner in value.items()]
        elif isinstance(value, list):
            todo += [(f"{key}[{index}]", inner) for index, inner in enumerate(value)]
        elif isinstance(value, float) and not math.isfinite(value):
            yield key, f"{shown(value)} is not allowed", "a finite number"
        elif isinstance(value, int) and value.bit_length() > 63:
            yield key, "this number is too large", "a number of at most 18 digits"


def _contradictions(stand_file: StandFile) -> Iterator[Words]:
    """Find what is wrong although each value by itself is allowed."""
    yield from _twice([build.name for build in stand_file.builds])
    yield from _calibration(stand_file.load.calibration)
    limits, pulls = stand_file.limits, stand_file.pulls
    if limits.head_warn_c and limits.head_trip_c and limits.head_warn_c >= limits.head_trip_c:
        yield "limits.head_warn_c", f"{limits.head_warn_c:g} is not allowed", (
            f"below limits.head_trip_c, which is {limits.head_trip_c:g}"
        )
    if pulls.shortest_s >= pulls.longest_s:
        yield "pulls.shortest_s", f"{pulls.shortest_s:g} is not allowed", (
            f"below pulls.longest_s, which is {pulls.longest_s:g}"
        )
    size = len(str(stand_file.recorder_sock).encode())
    if size > LONGEST_SOCKET_PATH:
        yield "state_dir", f"{shown(stand_file.state_dir)} makes a socket path of {size} bytes", (
            f"socket paths of at most {LONGEST_SOCKET_PATH} bytes"
        )


def _twice(names: list[str]) -> Iterator[Words]:
    for index, name in enumerate(names):
        if name in names[:index]:
            problem = f"{shown(name)} is there twice"
            yield f"builds[{index}].name", problem, "a name of its own for each build"


def _calibration(calibration: Calibration) -> Iterator[Words]:
    """Check that counts say something, and that it was made before it expires, on days that exist."""
    for key in ("made", "expires"):
        day = getattr(calibration, key)
        if not _is_day(day):
            yield f"load.calibration.{key}", f"{shown(day)} is not a day", 'as "2026-04-30"'
    if calibration.coefficients[1] == 0:
        yield "load.calibration.coefficients[1]", "0 is not allowed", "any other number: newtons for each count"
    if calibration.made > calibration.expires:
        yield "load.calibration.expires", f"{shown(calibration.expires)} is not allowed", (
            f"a day after load.calibration.made, which is {shown(calibration.made)}"
        )


def _is_day(text: str) -> bool:
    """Tell whether a text is a day that exists, in the one spelling that also sorts."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
