import math

import pytest

from leverarm_daemon.quantities.quality import derived, worst
from leverarm_daemon.records import Quality, Value

GOOD = Value(20.0, "N·m")
SUSPECT = Value(3000.0, "rpm", Quality.SUSPECT, "the pickup glitches")
BAD = Value(None, "N·m", Quality.BAD, "the load cell is silent")


def test_the_worst_wins() -> None:
    assert worst() is Quality.GOOD
    assert worst(Quality.GOOD, Quality.BAD, Quality.SUSPECT) is Quality.BAD
    assert worst(Quality.SUSPECT, Quality.GOOD) is Quality.SUSPECT


def test_power_of_good_inputs_is_good() -> None:
    assert derived(6.3, "kW", GOOD, GOOD) == Value(6.3, "kW")


def test_power_inherits_suspicion_and_its_reason() -> None:
    assert derived(6.3, "kW", GOOD, SUSPECT) == Value(6.3, "kW", Quality.SUSPECT, "the pickup glitches")


def test_a_bad_input_leaves_no_number() -> None:
    assert derived(6.3, "kW", SUSPECT, BAD) == Value(None, "kW", Quality.BAD, "the load cell is silent")


def test_the_same_reason_is_told_once() -> None:
    assert derived(6.3, "kW", SUSPECT, SUSPECT).reason == "the pickup glitches"


@pytest.mark.parametrize("number", [None, math.nan, math.inf])
def test_what_is_not_a_number_is_bad(number: float | None) -> None:
    assert derived(number, "kW", GOOD) == Value(None, "kW", Quality.BAD, "no number could be worked out")
