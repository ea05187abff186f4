import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leverarm_daemon.analysis.repeat import mean_sd, spread, t_critical, welch
from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Spread

SAMPLES = st.lists(st.floats(1, 1000), min_size=2, max_size=20)


@given(SAMPLES)
def test_mean_and_sd_agree_with_numpy(values: list[float]) -> None:
    mean, sd = mean_sd(values)
    assert mean == pytest.approx(np.mean(values))
    assert sd == pytest.approx(np.std(values, ddof=1), abs=1e-9)


def test_one_value_has_a_mean_and_nothing_else() -> None:
    assert spread([4.0]) == Spread(1, 4.0, None, None, None)


def test_equal_values_have_no_width() -> None:
    assert spread([4.0, 4.0, 4.0]) == Spread(3, 4.0, 0.0, 4.0, 4.0)


def test_the_interval_holds_the_true_mean_nineteen_times_in_twenty() -> None:
    random = np.random.default_rng(5)
    spreads = [spread(list(random.normal(100, 2, 6))) for _ in range(2000)]
    held = sum(s.low is not None and s.high is not None and s.low <= 100 <= s.high for s in spreads)
    assert held / 2000 == pytest.approx(0.95, abs=0.015)


def test_t_grows_towards_the_normal_distribution() -> None:
    assert t_critical(1e9) == pytest.approx(1.959964, abs=1e-6)


def test_no_values_are_refused() -> None:
    with pytest.raises(Refused, match="nothing to average"):
        spread([])


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_not_a_number_is_refused(bad: float) -> None:
    with pytest.raises(Refused, match="1 of 3 values not finite"):
        spread([1.0, bad, 2.0])


@given(SAMPLES, SAMPLES)
def test_turned_round_a_comparison_says_the_opposite(a: list[float], b: list[float]) -> None:
    if mean_sd(a)[1] == 0 and mean_sd(b)[1] == 0:
        return
    there, back = welch(spread(a), spread(b)), welch(spread(b), spread(a))
    assert there.difference == -back.difference
    assert there.low == pytest.approx(-back.high)
    assert there.nu == pytest.approx(back.nu)


def test_b_minus_a() -> None:
    assert welch(spread([1.0, 2.0, 3.0]), spread([5.0, 6.0, 7.0])).difference == 4.0


def test_one_group_without_scatter_leaves_the_scatter_of_the_other() -> None:
    found = welch(spread([4.0, 4.0, 4.0]), spread([5.0, 6.0, 7.0]))
    assert found.nu == pytest.approx(2.0)
    assert found.low < 2.0 < found.high


def test_a_single_pull_cannot_be_compared() -> None:
    with pytest.raises(Refused, match="1 and 3 pulls: a comparison needs two or more in each group"):
        welch(spread([4.0]), spread([5.0, 6.0, 7.0]))


def test_no_scatter_anywhere_is_refused() -> None:
    with pytest.raises(Refused, match="exactly equal"):
        welch(spread([4.0, 4.0]), spread([5.0, 5.0]))


def test_scipy_is_loaded_only_when_asked() -> None:
    code = "import sys, leverarm_daemon.analysis.compare, leverarm_daemon.analysis.curve; print('scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30)
    assert done.stdout.strip() == "False"
