"""The long campaign on five seeds: it goes on where it ended, and its figures are those of its results."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from support import campaigns
from support.campaigns import Found, Share, Tried, go_on, problems, read_results, shares

SEEDS = range(1, 6)

pytestmark = pytest.mark.timeout(120)


def tried(kind: str, seed: int, low_pct: float, high_pct: float, verdict: str) -> Tried:
    return Tried(kind, seed, -2.0, dict.fromkeys(campaigns.QUANTITIES, Found(low_pct, high_pct, verdict)), ())


def test_five_seeds_find_what_is_true_and_go_on_where_they_ended(tmp_path: Path) -> None:
    path, steps = tmp_path / "new" / "results.jsonl", list[tuple[int, int]]()
    first = go_on(path, SEEDS[:2], lambda done, total: steps.append((done, total)))
    assert steps[0] == (0, 4)
    assert steps[-1] == (4, 4)
    with path.open("ab") as file:
        file.write(b'{"kind":"equal","seed":3,"tr')        # killed while writing
    steps.clear()
    whole = go_on(path, SEEDS, lambda done, total: steps.append((done, total)))
    assert steps[0] == (4, 10)
    assert {(one.kind, one.seed) for one in whole} == {(kind, seed) for kind in campaigns.SETTINGS for seed in SEEDS}
    assert len(read_results(path)) == 10
    assert [one for one in whole if one in first] == first
    figures = shares(whole)
    assert {name: share.of for name, share in figures.items() if "inside" in name or "apart" in name} == {
        name: 5 for name in figures if name != "campaigns that failed"
    }
    assert all(share.count >= 4 for name, share in figures.items() if "inside" in name)
    assert all(share.count <= 1 for name, share in figures.items() if "apart" in name)
    assert not problems(whole)


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(90, 100, 0.8238, 0.9510), (0, 10, 0.0, 0.3085), (10, 10, 0.6915, 1.0), (5, 10, 0.1871, 0.8129)],
)
def test_exact_intervals_of_a_share(count: int, of: int, low: float, high: float) -> None:
    """Clopper and Pearson's interval, as tables print it; (0, n) is 1 - 0.025^(1/n) by its formula."""
    share = Share(count, of)
    assert share.low == pytest.approx(low, abs=5e-5)
    assert share.high == pytest.approx(high, abs=5e-5)


def test_what_is_surely_not_as_promised_is_told() -> None:
    outside = [tried("different", seed, -1.0, 1.0, "not settled") for seed in range(20)]
    assert problems(outside) == [
        f"{quantity}: true difference inside: 0 of 20, 95 % interval 0.0% to 16.8%" for quantity in campaigns.QUANTITIES
    ]
    apart = [tried("equal", seed, 1.0, 2.0, "higher") for seed in range(20)]
    assert len(problems(apart)) == 2
    assert problems([Tried("equal", 7, 0.0, {}, ("it does not come to rest",))]) == [
        "equal, seed 7: it does not come to rest"
    ]


def test_another_program_has_another_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("one", "two"):
        (tmp_path / "daemon").mkdir(exist_ok=True)
        (tmp_path / "daemon" / "x.py").write_text(text)
        monkeypatch.setattr(campaigns, "ROOT", tmp_path)
        campaigns.file_of_results(tmp_path / "var").parent.mkdir(exist_ok=True)
        campaigns.file_of_results(tmp_path / "var").touch()
    assert len(list((tmp_path / "var").iterdir())) == 2


def test_the_program_itself_goes_to_its_end(tmp_path: Path) -> None:
    command = [sys.executable, str(campaigns.ROOT / "tests" / "long" / "campaign.py"), str(tmp_path)]
    helpers = {**os.environ, "SEEDS": "0", "PYTHONPATH": str(campaigns.ROOT / "tests")}
    done = subprocess.run(command, env=helpers, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "campaigns that failed: 0 of 0" in done.stdout
