"""The whole tool on many simulated campaigns, without a clock: a line of JSON a seed, in a file that is only added to.

Whoever runs it again goes on where it ended. The file's name holds a hash of the program, so that no results are
mixed with those of another one.
"""

import hashlib
import multiprocessing
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from itertools import islice
from pathlib import Path
from typing import Final

import msgspec
from scipy.special import betaincinv

from leverarm_daemon.config import load_stand_file
from leverarm_simulators.campaign import CampaignFailed
from leverarm_simulators.lockstep import run_campaign
from leverarm_simulators.scenario import load_scenario
from leverarm_simulators.stand_file import write_stand_file

ROOT: Final = Path(__file__).parents[2]
PROGRAM: Final = ("daemon", "simulators", "deploy/firmware")

FEW_WAITS: Final = ("operator.fit_s=0.1", "operator.warm_s=1.5", "operator.rest_s=0.4")
SETTINGS: Final = {
    "different": FEW_WAITS,
    "equal": (*FEW_WAITS, "filters.foam=1.0", "campaign.brake_fails=false"),
}
"""The kinds of campaign: as the demonstration has it, and with two filters that are the same."""

WORKERS: Final = 2
QUANTITIES: Final = ("power_kw", "torque_nm")
LEAST_INSIDE, MOST_TOLD_APART = 0.90, 0.10


class Found(msgspec.Struct, frozen=True):
    """What one campaign said of one quantity: the interval of the difference in per cent, and the verdict."""

    low_pct: float
    high_pct: float
    verdict: str


class Tried(msgspec.Struct, frozen=True):
    """One campaign; `failures`: what else than the difference was not as it must be."""

    kind: str
    seed: int
    true_pct: float
    found: dict[str, Found]
    failures: tuple[str, ...]


class Share(msgspec.Struct, frozen=True):
    """How many of how many, with the exact 95 % interval of the share (Clopper and Pearson)."""

    count: int
    of: int

    @property
    def low(self) -> float:
        """The lower end."""
        return float(betaincinv(self.count, self.of - self.count + 1, 0.025)) if self.count else 0.0

    @property
    def high(self) -> float:
        """The upper end."""
        return float(betaincinv(self.count + 1, self.of - self.count, 0.975)) if self.count < self.of else 1.0

    def __str__(self) -> str:
        return f"{self.count} of {self.of}, 95 % interval {self.low:.1%} to {self.high:.1%}"


def try_seed(kind: str, seed: int) -> Tried:
    """Run one campaign; one that does not get on is a result too."""
    scenario = load_scenario("air_filter", SETTINGS[kind])
    with tempfile.TemporaryDirectory() as folder:
        stand_file = load_stand_file(write_stand_file("air_filter", Path(folder)))
    try:
        result = run_campaign(scenario, stand_file, seed).result
    except CampaignFailed as failed:
        return Tried(kind, seed, 0.0, {}, (str(failed),))
    found = {one.quantity: Found(one.low_pct, one.high_pct, one.verdict) for one in result.comparisons}
    failures = tuple(words for words in result.failures if "true difference" not in words)
    return Tried(kind, seed, result.true_difference_pct, found, failures)


def file_of_results(folder: Path) -> Path:
    """Give the file for the results of the program as it is now."""
    files = sorted(path for place in PROGRAM for path in (ROOT / place).rglob("*") if path.suffix in (".py", ".toml"))
    program = hashlib.sha256(b"\0".join(path.read_bytes() for path in files)).hexdigest()
    return folder / f"campaign-{program[:12]}.jsonl"


def read_results(path: Path) -> list[Tried]:
    """Give what is there; a last line that was cut off is left out."""
    lines = path.read_bytes().split(b"\n")[:-1] if path.exists() else []
    return [msgspec.json.decode(line, type=Tried) for line in lines]


def go_on(path: Path, seeds: Iterable[int], told: Callable[[int, int], None]) -> list[Tried]:
    """Run what is missing, telling how many are done of how many, and give the results of these seeds."""
    wanted = {(kind, seed) for seed in seeds for kind in SETTINGS}
    done = [one for one in read_results(path) if (one.kind, one.seed) in wanted]
    missing = iter(sorted(wanted - {(one.kind, one.seed) for one in done}, key=lambda one: (one[1], one[0])))
    path.parent.mkdir(parents=True, exist_ok=True)
    told(len(done), len(wanted))
    with path.open("ab") as file, ProcessPoolExecutor(WORKERS, multiprocessing.get_context("spawn")) as pool:
        file.truncate(sum(len(line) for line in path.read_bytes().splitlines(keepends=True) if line.endswith(b"\n")))
        running: set[Future[Tried]] = {pool.submit(try_seed, *one) for one in islice(missing, 2 * WORKERS)}
        while running:
            ended, running = wait(running, return_when=FIRST_COMPLETED)
            running |= {pool.submit(try_seed, *one) for one in islice(missing, len(ended))}
            for future in ended:
                done.append(future.result())
                file.write(msgspec.json.encode(done[-1]) + b"\n")
            file.flush()
            told(len(done), len(wanted))
    return done


def shares(tried: Sequence[Tried]) -> dict[str, Share]:
    """Give the figures: how often the truth lay inside, how often equal filters were told apart, what failed."""
    figures = {}
    for quantity in QUANTITIES:
        different = [(one.true_pct, one.found[quantity]) for one in tried if one.kind == "different" and one.found]
        inside = sum(found.low_pct <= true_pct <= found.high_pct for true_pct, found in different)
        figures[f"{quantity}: true difference inside"] = Share(inside, len(different))
        equal = [one.found[quantity] for one in tried if one.kind == "equal" and one.found]
        apart = sum(found.verdict != "not settled" for found in equal)
        figures[f"{quantity}: equal filters told apart"] = Share(apart, len(equal))
    figures["campaigns that failed"] = Share(sum(bool(one.failures) for one in tried), len(tried))
    return figures


def problems(tried: Sequence[Tried]) -> list[str]:
    """Give what is surely not as promised: a share whose whole interval lies on the wrong side, and each failure."""
    found = [f"{one.kind}, seed {one.seed}: {words}" for one in tried for words in one.failures]
    for name, share in shares(tried).items():
        if ("inside" in name and share.high < LEAST_INSIDE) or ("apart" in name and share.low > MOST_TOLD_APART):
            found.append(f"{name}: {share}")
    return found
