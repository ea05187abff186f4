"""A scenario: everything the simulated stand has to know, from one TOML file; typos are refused."""

import tomllib
from pathlib import Path
from typing import Annotated

import msgspec

from leverarm_daemon.errors import ConfigError
from leverarm_daemon.records import Record

SCENARIOS = Path(__file__).parent / "scenarios"
"""Where the scenarios lie that come with the simulators."""

Positive = Annotated[float, msgspec.Meta(gt=0, le=1e9)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e9)]
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class EngineSpec(Record):
    """A four-stroke single. Torques are means over 720 degrees at the crankshaft."""

    displacement_cc: Positive = 270.0
    compression_ratio: Annotated[float, msgspec.Meta(gt=1, le=20)] = 8.5
    peak_torque_nm: Positive = 18.5
    peak_torque_rpm: Positive = 2600.0
    roundness: Positive = 0.95
    friction_nm: NotNegative = 1.5
    friction_nm_per_krpm: NotNegative = 0.5
    pumping_nm: NotNegative = 1.2
    choke_rpm: Positive = 6000.0
    idle_rpm: Positive = 1700.0
    governor_rpm: Positive | None = None
    release_below_rpm: NotNegative = 600.0
    release_share: Share = 0.3
    fires_above_rpm: NotNegative = 250.0
    bowl_s: NotNegative = 30.0
    cycle_scatter: Share = 0.03
    pull_scatter: Share = 0.008
    drift_per_k: float = -0.0002
    drift_from_c: float = 110.0


class RotorSpec(Record):
    """All that turns. The pickup gives `pulses_per_rev` edges (whole crank steps apart) each turn."""

    inertia_kg_m2: Positive = 0.035
    pulses_per_rev: Annotated[int, msgspec.Meta(ge=1, le=9)] = 1


class BrakeSpec(Record):
    """A strap round a drum; the drum's housing is held by an arm that pushes on the load cell."""

    arm_m: Positive = 0.30
    drum_radius_m: Positive = 0.10
    wrap_rad: Positive = 3.5
    friction: Positive = 0.35
    fade_per_k: NotNegative = 0.0006


class CellSpec(Record):
    """Load cell and its converter; drift is the share of a full reading by which zero wanders in an hour."""

    rate_hz: Positive = 80.0
    offset_counts: int = 84_000
    counts_per_n: Positive = 10_000.0
    noise_n: NotNegative = 0.03
    full_n: Positive = 200.0
    drift_per_h: float = 0.0005


class HeatSpec(Record):
    """Heat capacities in J/K, conductances to the air in W/K (at rest, and more for each 1,000 rpm)."""

    air_c: float = 22.0
    head_start_c: float = 95.0
    head_j_per_k: Positive = 2400.0
    head_w_per_k: NotNegative = 2.5
    head_w_per_k_krpm: NotNegative = 2.2
    head_share: Share = 0.22
    drum_start_c: float = 40.0
    drum_j_per_k: Positive = 4200.0
    drum_w_per_k: NotNegative = 3.0
    drum_w_per_k_krpm: NotNegative = 4.0


class OperatorSpec(Record):
    """How the simulated person works: times in seconds, speeds in rpm."""

    fit_s: NotNegative = 2.0
    cord_nm: Positive = 21.0
    cord_turns: Positive = 4.0
    hand_rpm: Positive = 1500.0
    warm_s: NotNegative = 2.0
    rest_s: NotNegative = 0.8
    rise_rpm_per_s: Positive = 1800.0
    top_rpm: Positive = 3900.0
    bottom_rpm: Positive = 2200.0
    fall_s: Positive = 5.0
    strongest_n: Positive = 160.0
    shake: NotNegative = 0.004
    fails_at_rpm: Positive = 3500.0
    reaction_s: NotNegative = 0.7


class CampaignSpec(Record):
    """The order of the builds, one letter a pull; `names` tells the build of a letter, and its filter."""

    order: Annotated[str, msgspec.Meta(pattern="^[A-Z]+$")] = "ABBAABBAABBA"
    names: dict[str, str] = {}
    brake_fails: bool = True


class WiringSpec(Record):
    """The electrical side: relay drop-out time, the device clock's start before its wrap, throttle switch or not."""

    relay_ms: NotNegative = 8.0
    before_wrap_s: NotNegative = 5.0
    throttle_switch: bool = True


class Scenario(Record):
    """The whole scenario. `filters` tells by which factor each filter changes full-load torque."""

    name: str
    note: str
    filters: dict[str, Positive]
    seed: int = 1
    engine: EngineSpec = EngineSpec()
    rotor: RotorSpec = RotorSpec()
    brake: BrakeSpec = BrakeSpec()
    cell: CellSpec = CellSpec()
    heat: HeatSpec = HeatSpec()
    operator: OperatorSpec = OperatorSpec()
    campaign: CampaignSpec = CampaignSpec()
    wiring: WiringSpec = WiringSpec()

    def builds(self) -> tuple[str, ...]:
        """Give the names of the builds, one for each pull of the campaign, in order."""
        return tuple(self.campaign.names[letter] for letter in self.campaign.order)


def scenario_path(name: str) -> Path:
    """Find a scenario by its name or its path; raises ConfigError that lists the known names."""
    path = Path(name) if name.endswith(".toml") else SCENARIOS / f"{name}.toml"
    if not path.is_file():
        known = sorted(p.stem for p in SCENARIOS.glob("*.toml") if not p.name.endswith(".stand.toml"))
        raise ConfigError(name, "scenario", "there is no such file", ", ".join(known))
    return path


def load_scenario(name: str, settings: tuple[str, ...] = ()) -> Scenario:
    """Read a scenario and apply `a.b=value` settings; raises ConfigError naming file, key and what is wrong."""
    path = scenario_path(name)
    try:
        table = tomllib.loads(path.read_text())
        for setting in settings:
            apply_setting(table, setting)
        scenario = msgspec.convert(table, Scenario)
    except (msgspec.ValidationError, tomllib.TOMLDecodeError, ValueError) as error:
        raise ConfigError(str(path), "scenario", str(error)) from error
    _check(scenario, path)
    return scenario


def apply_setting(table: dict[str, object], setting: str) -> None:
    """Put one `a.b=value` into the table; the value in TOML's spelling, else it is a text. Raises ValueError."""
    key, equals, text = setting.partition("=")
    if not equals:
        raise ValueError(f"setting {setting!r} is not of the form a.b=value")
    parts = key.strip().split(".")
    for part in parts[:-1]:
        inner = table.setdefault(part, {})
        if not isinstance(inner, dict):
            raise ValueError(f"setting {setting!r}: {part} is no section")
        table = inner
    table[parts[-1]] = _value(text.strip())


def _value(text: str) -> object:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _check(scenario: Scenario, path: Path) -> None:
    """See that every letter of the campaign has a name, and every name a filter."""
    for letter in sorted(set(scenario.campaign.order)):
        name = scenario.campaign.names.get(letter)
        if name not in scenario.filters:
            allowed = ", ".join(scenario.filters)
            raise ConfigError(str(path), f"campaign.names.{letter}", f"{name!r} is no filter", allowed)
