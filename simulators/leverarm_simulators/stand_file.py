"""The stand file of a simulated stand: the scenario's own, with state folder, port and settings filled in."""

import json
import tomllib
from pathlib import Path
from typing import Any

import msgspec

from leverarm_daemon.errors import ConfigError, RefuseToStart
from leverarm_simulators.scenario import Scenario, apply_setting, scenario_path

SCENARIO = "scenario.json"
HEADING = "# Written by the simulated stand, which is made up; a real stand's file is written by hand.\n"


def write_stand_file(scenario: str, state_dir: Path, settings: tuple[str, ...] = ()) -> Path:
    """Write STATE_DIR/stand.toml and give its path; `settings` are `a.b=value`. Raises ConfigError."""
    template = scenario_path(scenario).with_suffix(".stand.toml")
    try:
        table = tomllib.loads(template.read_text(encoding="utf-8"))
        for setting in settings:
            apply_setting(table, setting)
    except (OSError, ValueError) as error:
        raise ConfigError(str(template), "stand file", str(error)) from error
    table["state_dir"] = str(state_dir)
    table["link"]["port"] = str(link_path(state_dir))
    path = state_dir / "stand.toml"
    path.write_text(HEADING + as_toml(table), encoding="utf-8")
    return path


def write_scenario(scenario: Scenario, state_dir: Path) -> None:
    """Write STATE_DIR/scenario.json: the truth, for whoever judges what the tool found."""
    (state_dir / SCENARIO).write_bytes(msgspec.json.format(msgspec.json.encode(scenario)))


def scenario_of(stand_file: Path) -> Scenario:
    """Read the scenario of the simulated stand to which a stand file belongs; raises RefuseToStart."""
    path = stand_file.with_name(SCENARIO)
    try:
        return msgspec.json.decode(path.read_bytes(), type=Scenario)
    except (OSError, msgspec.DecodeError) as error:
        raise RefuseToStart(f"{path}: {error}. Only a simulated stand has this file; start it first") from error


def link_path(state_dir: Path) -> Path:
    """Give the place of the symbolic link to the pseudo-terminal."""
    return state_dir / "stand-link"


def as_toml(table: dict[str, Any]) -> str:
    """Write a table as TOML: plain values first, then sections, then lists of sections."""
    plain = [f"{key} = {_inline(value)}" for key, value in table.items() if not _is_section(value)]
    sections = [_section(key, value) for key, value in table.items() if _is_section(value)]
    return "\n".join([*plain, *sections]) + "\n"


def _is_section(value: object) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def _section(key: str, value: Any) -> str:
    heading, parts = (f"[{key}]", [value]) if isinstance(value, dict) else (f"[[{key}]]", value)
    return "\n".join(
        "\n".join(["", heading, *(f"{name} = {_inline(inner)}" for name, inner in part.items())]) for part in parts
    )


def _inline(value: Any) -> str:
    """Write one value. JSON's spelling of texts, numbers and truth is TOML's too."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_inline(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(inner) for inner in value) + "]"
    return json.dumps(value)
