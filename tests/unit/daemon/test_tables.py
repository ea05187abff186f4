"""SAFETY.md shows the tables that the code runs on."""

import re
from pathlib import Path

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.states import TRANSITIONS
from leverarm_daemon.tables import cause_table, safety_page, state_diagram

ROOT = Path(__file__).parents[3]
SAFETY = (ROOT / "daemon" / "SAFETY.md").read_text()


def test_the_page_holds_the_drawing_and_the_table_as_they_are_now() -> None:
    assert safety_page(SAFETY) == SAFETY
    assert state_diagram() in SAFETY
    assert cause_table() in SAFETY


def test_every_transition_is_drawn() -> None:
    drawn = re.findall(r"^\S+ +--\S+--> \S+$", state_diagram(), flags=re.MULTILINE)
    assert len(drawn) == sum(len(steps) for steps in TRANSITIONS.values())


def test_every_cause_has_its_row() -> None:
    assert [line.split("`")[1] for line in cause_table().splitlines()[2:]] == list(CAUSES)


def test_every_test_that_the_page_names_exists() -> None:
    named = set(re.findall(r"`(test_\w+\.py)`", SAFETY))
    assert named
    assert not named - {path.name for path in (ROOT / "tests").rglob("test_*.py")}
