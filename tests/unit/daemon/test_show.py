"""What people see: grey for what does not count, warnings once, and doubts with their reasons."""

import re
import time
from collections.abc import Iterator

import pytest
from msgspec.structs import replace
from rich.console import Console, RenderableType

from leverarm_daemon import show
from leverarm_daemon.records import Comparison, Group, Quality, Spread, Value
from leverarm_daemon.units import SI
from support.api import PULLS, TRIPS
from support.fakes import live
from support.pulls import pull

GREY = "\x1b[90m"


def seen(layout: RenderableType, width: int = 80) -> list[str]:
    """Give the lines as a terminal of 80 columns with colours would get them."""
    console = Console(force_terminal=True, color_system="standard", width=width, highlight=False, _environ={})
    with console.capture() as captured:
        console.print(layout)
    return captured.get().splitlines()


@pytest.fixture(autouse=True)
def in_a_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "XYZ-2")       # two hours ahead of UTC
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_what_does_not_count_is_grey() -> None:
    left_out = replace(PULLS[0], id=8, kept=False)
    rows = [line for line in seen(show.pulls_table((*PULLS, left_out))) if "release" in line]
    grey = [re.sub(r"\x1b\[\d+m", "", line).split() for line in rows if line.startswith(GREY)]
    assert [words[0] for words in grey] == ["7", "8"]
    assert "short" in " ".join(grey[0])
    assert "left out" in " ".join(grey[1])


def test_a_list_of_pulls_fits_a_terminal_and_shows_the_clock_on_the_wall() -> None:
    lines = seen(show.pulls_table(PULLS))
    rows = [line for line in lines if "release" in line]
    assert len(rows) == len(PULLS)
    assert all("2026-05-04 12:00" in row for row in rows)
    named = [replace(one, build="a filter with a long name") for one in PULLS]
    assert sum("2026-05-04 12:00" in line for line in seen(show.pulls_table(named))) == len(PULLS)


def test_doubts_are_told_with_their_reason() -> None:
    doubtful = replace(pull(3, "paper", 4.0), quality=Quality.SUSPECT, reason="the cell [drifts]")
    assert "mind: pull 3 is suspect: the cell [drifts]" in " ".join(seen(show.pulls_table([doubtful])))


@pytest.mark.parametrize(
    ("simulated", "words"),
    [
        ((True, True), "All simulated: no real engine."),
        ((True, False), "mind: simulated, no real engine: 1"),
        ((False, False), ""),
    ],
)
def test_simulated_ones_are_told(simulated: tuple[bool, bool], words: str) -> None:
    pulls = [replace(pull(number + 1, "paper", 4.0), simulated=one) for number, one in enumerate(simulated)]
    text = " ".join(seen(show.pulls_table(pulls)))
    assert words in text
    assert ("simulated" in text.lower()) is bool(words)


def test_a_trip_without_speeds() -> None:
    trip = replace(TRIPS[0], edge_rpm=None, limit_rpm=None, peak_rpm=None, overshoot_rpm=None, followed_by=())
    row = next(line for line in seen(show.trips_table([trip])) if "overspeed" in line)
    assert row.split()[4:] == ["-"] * 5


def test_a_time_that_is_none_is_shown_as_it_is() -> None:
    assert "long ago" in "".join(seen(show.trips_table([replace(TRIPS[0], utc="long ago")])))


def test_a_warning_of_both_comparisons_is_told_once() -> None:
    spread = Spread(1, 4.0, None, None, None)
    numbers = (0.0,) * 6
    verdict = Comparison("a", "b", "power_kw", "kW", 1, 1, *numbers, "not settled", "so it is.", ("few",))
    lines = seen(show.verdict_lines([Group(name, (1,), spread, spread, True) for name in "ab"], [verdict, verdict]))
    assert sum("mind: few" in line for line in lines) == 1
    assert "so it is." in lines[0]
    row = next(line.split() for line in lines if line.startswith("a "))
    assert row == ["a", "peak", "power", "1", "4.000", "kW", "-", "-"]


def test_at_standstill_what_says_nothing_then_is_not_shown() -> None:
    turning = live()
    hanging = Value(3.0, "N·m", reason="force times arm")
    values = {**turning.values, "speed_rpm": Value(0.0, "rpm"), "torque_nm": hanging}
    still = replace(turning, values=values)
    told = [dict(show.live_rows(one, SI)) for one in (turning, still)]
    assert "  power, corrected" in told[0]
    assert "  power, corrected" not in told[1]
    assert told[1]["  torque"] == "3.00 N·m   (force times arm)"
