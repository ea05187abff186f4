import math

import msgspec
import numpy as np
import pytest

from leverarm_daemon.analysis.compare import compare, group
from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Pull, Quality
from support.pulls import pull

PAPER = (4.05, 4.06, 4.07, 4.05, 4.06, 4.07)
FOAM = (3.97, 3.98, 3.99, 3.97, 3.98, 3.99)
ORDER = (1, 4, 5, 8, 9, 12), (2, 3, 6, 7, 10, 11)      # A-B-B-A


def paper(powers: tuple[float, ...] = PAPER) -> list[Pull]:
    return [pull(n, "paper filter", kw) for n, kw in zip(ORDER[0], powers, strict=False)]


def foam(powers: tuple[float, ...] = FOAM) -> list[Pull]:
    return [pull(n, "foam filter", kw) for n, kw in zip(ORDER[1], powers, strict=False)]


def changed(pulls: list[Pull], **changes: object) -> list[Pull]:
    return [msgspec.structs.replace(pulls[0], **changes), *pulls[1:]]


def test_a_lower_build_is_told_so_in_words() -> None:
    found = compare(paper(), foam(), "power_kw")
    assert found.verdict == "lower"
    assert found.difference == pytest.approx(-0.08)
    assert found.difference_pct == pytest.approx(-1.970, abs=1e-3)
    assert found.low < found.difference < found.high < 0
    assert found.sentence == (
        "foam filter against paper filter: peak power 2.0 % lower (95 % interval 2.3 to 1.7 % lower),"
        " 3.98 against 4.06 kW, from 6 and 6 pulls: lower."
    )
    assert found.warnings == ()


def test_the_counts_stand_in_the_order_of_the_names() -> None:
    assert "from 6 and 4 pulls" in compare(paper(PAPER[:4]), foam(), "power_kw").sentence


def test_the_other_way_round_it_is_higher() -> None:
    found = compare(foam(), paper(), "power_kw")
    assert found.verdict == "higher"
    assert "peak power 2.0 % higher (95 % interval 1.7 to 2.3 % higher)" in found.sentence


def test_within_the_scatter_nothing_is_settled() -> None:
    found = compare(paper(), foam((3.9, 4.1, 4.2, 3.95, 4.0, 4.1)), "power_kw")
    assert found.verdict == "not settled"
    assert "% lower to" in found.sentence
    assert found.sentence.endswith(": not settled, the scatter of these pulls is too large to tell.")


def test_torque_is_compared_by_its_own_peaks() -> None:
    a = [pull(n, "a", 4.0, 18.0 + 0.1 * n) for n in (1, 4)]
    b = [pull(n, "b", 4.0, 19.0 + 0.1 * n) for n in (2, 3)]
    found = compare(a, b, "torque_nm")
    assert found.unit == "N·m"
    assert found.difference == pytest.approx(1.0)
    assert "peak torque" in found.sentence


@pytest.mark.parametrize("true_ratio", [1.0, 0.98])
def test_verdicts_are_wrong_no_more_often_than_promised(true_ratio: float) -> None:
    random = np.random.default_rng(7)
    held = settled = 0
    for _ in range(500):
        a = paper(tuple(random.normal(4.0, 0.02, 6)))
        b = foam(tuple(random.normal(4.0 * true_ratio, 0.02, 6)))
        found = compare(a, b, "power_kw")
        held += found.low_pct <= 100 * (true_ratio - 1) <= found.high_pct
        settled += found.verdict != "not settled"
    assert held / 500 == pytest.approx(0.95, abs=0.03)
    assert settled < 40 if true_ratio == 1.0 else settled > 400


def test_few_pulls_are_provisional() -> None:
    assert any("provisional" in w for w in compare(paper(PAPER[:5]), foam(), "power_kw").warnings)


def test_one_group_before_the_other_is_warned_of() -> None:
    a = [pull(n, "a", 4.0 + n / 100) for n in range(1, 7)]
    b = [pull(n, "b", 4.0 + n / 100) for n in range(7, 13)]
    assert any("A-B-B-A" in w for w in compare(a, b, "power_kw").warnings)
    assert any("A-B-B-A" in w for w in compare(b, a, "power_kw").warnings)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"simulated": True}, "simulated and measured pulls are mixed"),
        ({"quality": Quality.SUSPECT, "reason": "glitches"}, "suspect pulls: 1"),
        ({"correction_factor": 1.071}, "beyond 7 %"),
        ({"correction_factor": 0.929}, "beyond 7 %"),
    ],
)
def test_what_one_should_know_is_said(change: dict[str, object], word: str) -> None:
    (warning,) = compare(changed(paper(), **change), foam(), "power_kw").warnings
    assert word in warning


def test_simulated_pulls_say_so() -> None:
    a, b = ([msgspec.structs.replace(p, simulated=True) for p in side] for side in (paper(), foam()))
    assert compare(a, b, "power_kw").warnings == ("simulated pulls, not a real engine",)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"correction": "none"}, "different corrections .SAE J1349, none."),
        ({"build": "muffler"}, "group A mixes builds: muffler, paper filter"),
        ({"quality": Quality.BAD, "reason": "load cell silent"}, "group A holds bad pulls.*pull 1: load cell silent"),
        ({"id": 2}, "pulls in both groups: 2"),
        ({"peak_power_kw": msgspec.structs.replace(pull(1, "", 1.0).peak_power_kw, value=math.nan)}, "not finite"),
    ],
)
def test_what_cannot_be_compared_is_refused(change: dict[str, object], word: str) -> None:
    with pytest.raises(Refused, match=word):
        compare(changed(paper(), **change), foam(), "power_kw")


def test_an_empty_group_is_refused() -> None:
    with pytest.raises(Refused, match="group B has no kept pulls"):
        compare(paper(), [], "power_kw")


def test_a_single_pull_is_refused() -> None:
    with pytest.raises(Refused, match="1 and 6 pulls"):
        compare(paper()[:1], foam(), "power_kw")


def test_a_mean_of_zero_is_refused() -> None:
    with pytest.raises(Refused, match="'paper filter' is not above zero"):
        compare(paper((-0.1, 0.1, 0.0)), foam(), "power_kw")


def test_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(Refused, match="'noise'; known: torque_nm, power_kw"):
        compare(paper(), foam(), "noise")


class TestGroup:
    def test_only_kept_pulls_of_the_build_count(self) -> None:
        pulls = [*changed(paper(), kept=False), *foam()]
        found = group("paper filter", pulls)
        assert found.pulls == ORDER[0][1:]
        assert found.power_kw.n == 5
        assert found.power_kw.mean == pytest.approx(sum(PAPER[1:]) / 5)
        assert found.torque_nm.mean == 18.0
        assert found.provisional

    def test_six_are_enough(self) -> None:
        assert not group("foam filter", foam()).provisional

    def test_a_build_without_kept_pulls_is_refused(self) -> None:
        with pytest.raises(Refused, match="build 'muffler' has no kept pulls"):
            group("muffler", paper())

    def test_a_bad_pull_is_refused_by_number(self) -> None:
        with pytest.raises(Refused, match="pull 1: torn"):
            group("paper filter", changed(paper(), quality=Quality.BAD, reason="torn"))
