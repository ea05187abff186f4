"""Runs the checks and the groups of tests; `tests/run` is its front."""

import argparse
import ctypes
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

TESTS = Path(__file__).resolve().parents[1]

CHECKS = (
    ("ruff", "check", "."),
    ("mypy", "daemon", "api", "simulators", "tests", "deploy/firmware"),
    ("lint-imports",),
)
BARE = ("unit", "published", "system", "faults", "browser")
GROUPS = (*BARE, "bench", "long")

# Debian's package by the program or library that is looked for.
BROKER = {"mosquitto": "mosquitto", "mosquitto_sub": "mosquitto-clients"}
NEEDS = {
    "unit": BROKER,
    "system": BROKER | {"curl": "curl"},
    "faults": BROKER,
    "bench": BROKER,
    "browser": {"chromium": "chromium", "libatomic.so.1": "libatomic1"},     # the library: for playwright's driver
}

NO_TESTS_FOUND = 5
"""The exit code by which pytest says that it ran nothing."""

HELP = f"""\
tests/run                  the checks, then the groups unit, published, system, faults, browser
tests/run check            only the checks: ruff, mypy, lint-imports
tests/run GROUP            one group: {', '.join(GROUPS)}
tests/run GROUP PART       a part of it: a file or folder below tests/GROUP, or a word in the
                           tests' names
tests/run long NAME        the campaign tests/long/NAME, which may be stopped and run again
"""


class Counts(NamedTuple):
    """What became of the tests."""

    passed: int = 0
    failed: int = 0
    skipped: int = 0

    def plus(self, other: "Counts") -> "Counts":
        """Add two counts."""
        return Counts(*(a + b for a, b in zip(self, other, strict=True)))


def main(arguments: Sequence[str]) -> int:
    """Run what the arguments ask for; give the exit code."""
    asked = _parse(arguments)
    if asked.help:
        print(HELP, end="")
        return 0
    groups = BARE if asked.group is None else () if asked.group == "check" else (asked.group,)
    missing = _missing_packages(groups)
    if missing and not _install(missing):
        return 3
    counts = Counts()
    if asked.group in (None, "check"):
        counts = counts.plus(_checks())
    for group in groups:
        counts = counts.plus(_group(group, asked.part, named=asked.group is not None))
    skipped = f", {counts.skipped} skipped" if counts.skipped else ""
    print(f"\n{counts.passed} passed, {counts.failed} failed{skipped}")
    return 0 if counts.passed and not counts.failed else 1


def _parse(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests/run", usage=HELP, add_help=False)
    parser.add_argument("-h", "--help", action="store_true")
    parser.add_argument("group", nargs="?", choices=(*GROUPS, "check"), metavar="GROUP")
    parser.add_argument("part", nargs="?", metavar="PART")
    return parser.parse_args(arguments)


def _missing_packages(groups: Sequence[str]) -> list[str]:
    """Give the Debian packages whose programs or libraries are not there."""
    needed = {program: name for group in groups for program, name in NEEDS.get(group, {}).items()}
    return sorted({name for program, name in needed.items() if not _is_there(program)})


def _is_there(name: str) -> bool:
    """Tell whether a program can be found, or a library loaded."""
    if ".so" not in name:
        return shutil.which(name) is not None
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def _install(packages: list[str]) -> bool:
    """Install Debian packages as root, or by sudo if it asks for no password."""
    line = f"apt-get update && apt-get install -y --no-install-recommends {shlex.join(packages)}"
    sudo = [] if os.geteuid() == 0 else ["sudo", "-n"]
    if shutil.which("apt-get") and (not sudo or shutil.which("sudo")):
        print(f"Installing {', '.join(packages)} ...", flush=True)
        # Asks Debian's scripts not to start the broker's service; the tests run their own.
        quiet = "DEBIAN_FRONTEND=noninteractive RUNLEVEL=1"
        done = subprocess.run([*sudo, "sh", "-c", f"export {quiet}; ({line}) >&2"], check=False)
        if done.returncode == 0 and all(map(_installed, packages)):
            return True
    print(f"The tests need {', '.join(packages)}. This one line installs what is missing:")
    print(f"    sudo sh -c {shlex.quote(line)}")
    return False


def _installed(package: str) -> bool:
    programs = {name: program for needs in NEEDS.values() for program, name in needs.items()}
    return _is_there(programs[package])


def _checks() -> Counts:
    """Run the checks that need no test."""
    counts = Counts()
    for command in CHECKS:
        started = _headline(" ".join(command))
        failed = subprocess.run(command, check=False).returncode != 0
        _footline(command[0], started)
        counts = counts.plus(Counts(passed=not failed, failed=failed))
    return counts


def _group(group: str, part: str | None, *, named: bool) -> Counts:
    """Run one group; an empty group fails when it was named, and is passed over otherwise."""
    if group == "long":
        return _campaign(part)
    if not named and not any((TESTS / group).rglob("test_*.py")):
        print(f"\n== {group}: no tests yet, passed over")
        return Counts()
    started = _headline(group)
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder, "report.xml")
        code = subprocess.run(_pytest(group, part, report), check=False).returncode
        counts = _count(report, code)
    _footline(group, started)
    if code == NO_TESTS_FOUND:
        print(f"{group} {part or ''}: nothing ran, which counts as a failure")
    return counts


def _pytest(group: str, part: str | None, report: Path) -> list[str]:
    """Give the command that runs a group, or a part: a path below it, or a word in test names."""
    where, word = TESTS / group, []
    if part and (where / part).exists():
        where = where / part
    elif part:
        word = ["-k", part]
    shown = ["-s"] if group == "bench" else []
    command = [sys.executable, "-m", "pytest", "-q", f"--junitxml={report}", *shown, *word]
    return [*command, str(where)]


def _count(report: Path, code: int) -> Counts:
    """Read pytest's report; a run that failed without a failed test counts as one failure."""
    if not report.exists():
        return Counts(failed=1)
    suite = next(ET.parse(report).getroot().iter("testsuite"))
    total, *bad, skipped = (int(suite.get(k, 0)) for k in ("tests", "failures", "errors", "skipped"))
    failed = max(sum(bad), int(code != 0))
    return Counts(max(total - sum(bad) - skipped, 0), failed, skipped)


def _campaign(name: str | None) -> Counts:
    """Run a campaign, which is a program of its own."""
    folder = TESTS / "long"
    program = folder / f"{name}.py"
    if not name or not program.is_file():
        there = sorted(path.stem for path in folder.glob("*.py"))
        print(f"tests/run long NAME needs the name of a campaign: {', '.join(there) or 'none yet'}")
        return Counts(failed=1)
    started = _headline(f"long {name}")
    helpers = {**os.environ, "PYTHONPATH": str(TESTS)}
    failed = subprocess.run([sys.executable, str(program)], env=helpers, check=False).returncode != 0
    _footline(name, started)
    return Counts(passed=not failed, failed=failed)


def _headline(what: str) -> float:
    print(f"\n== {what}", flush=True)
    return time.monotonic()


def _footline(what: str, started: float) -> None:
    print(f"== {what}: {time.monotonic() - started:.1f} s", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
