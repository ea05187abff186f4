"""README and DEVELOPERS name what there is, and nothing else."""

import re
from pathlib import Path

import pytest

from leverarm_api.routes import ROUTES
from leverarm_daemon.cli import main_group
from leverarm_daemon.publish import mqtt

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def section(title: str) -> str:
    """Give the text of one section of the README."""
    return README.split(f"\n## {title}\n")[1].split("\n## ")[0]


def test_the_readme_lists_each_command() -> None:
    listed = re.findall(r"^\| `leverarm (\w+)", section("Command line"), re.MULTILINE)
    assert sorted(listed) == sorted(main_group.commands)


def test_each_rest_address_in_the_readme_exists() -> None:
    known = {re.sub(r"\{\w+\}", "1", route.path) for route in ROUTES}
    named = set(re.findall(r"/v1/[a-z0-9/.]+", section("REST")))
    assert len(named) > 10
    assert named <= known


def test_the_readme_lists_each_topic() -> None:
    listed = re.findall(r"^\| `([a-z/]+)` \|", section("MQTT"), re.MULTILINE)
    told = re.findall(r"^    ([a-z/]+) {2,}", mqtt.__doc__ or "", re.MULTILINE)
    used = set(re.findall(r"\{self\._root\}/([a-z/]+)", Path(mqtt.__file__).read_text()))
    assert sorted(listed) == sorted(told)
    assert used <= set(listed)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_each_place_that_is_named_exists(name: str) -> None:
    text = (ROOT / name).read_text()
    links = re.findall(r"\]\(([^)#]+)\)", text)
    daemon = [f"daemon/leverarm_daemon{place}" for place in re.findall(r"^\| `\.\.\.(/\w+/)`", text, re.MULTILINE)]
    places = [*links, *daemon, *re.findall(r"`((?:daemon|api|deploy|tests|simulators)/[\w./]*)`", text)]
    assert len(places) > 3
    assert not [place for place in places if not (ROOT / place).exists()]


@pytest.mark.parametrize("danger", ["burst", "Kickback", "Fire", "Exhaust gas", "Noise", "Hot and moving parts"])
def test_the_readme_warns_before_it_explains(danger: str) -> None:
    warnings, _, _ = README.partition("\n## Two commands")
    assert danger in warnings
    assert "makers' limits, your local codes and licensed practice come before" in warnings
    assert "is no emergency stop" in warnings
