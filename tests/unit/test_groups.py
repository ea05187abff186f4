"""The runner of the tests: what it counts as a failure, and what it asks for."""

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from support import groups
from support.groups import Counts

REPORT = '<testsuites><testsuite tests="{}" failures="{}" errors="{}" skipped="{}"/></testsuites>'


@pytest.mark.parametrize(
    ("numbers", "code", "counts"),
    [
        ((7, 0, 0, 0), 0, Counts(7, 0, 0)),
        ((7, 2, 1, 1), 1, Counts(3, 3, 1)),
        ((0, 0, 0, 0), groups.NO_TESTS_FOUND, Counts(0, 1, 0)),
        ((7, 0, 0, 0), 2, Counts(7, 1, 0)),
    ],
    ids=["good", "some failed", "nothing ran", "interrupted"],
)
def test_counting(numbers: tuple[int, ...], code: int, counts: Counts, tmp_path: Path) -> None:
    report = tmp_path / "report.xml"
    report.write_text(REPORT.format(*numbers))
    assert groups._count(report, code) == counts


def test_no_report_is_a_failure(tmp_path: Path) -> None:
    assert groups._count(tmp_path / "none.xml", 0).failed == 1


def test_an_empty_group_fails_only_when_it_was_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench").mkdir()
    monkeypatch.setattr(groups, "TESTS", tmp_path)
    assert groups._group("bench", None, named=False) == Counts()
    assert groups._group("bench", None, named=True).failed == 1
    assert groups._group("long", "none", named=True).failed == 1


def test_a_campaign_finds_the_shared_helpers_and_its_exit_code_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "support").mkdir()
    (tmp_path / "support" / "found.py").write_text("CODE = 0")
    (tmp_path / "long").mkdir()
    (tmp_path / "long" / "good.py").write_text("import sys\nfrom support.found import CODE\nsys.exit(CODE)")
    (tmp_path / "long" / "bad.py").write_text("raise SystemExit(1)")
    monkeypatch.setattr(groups, "TESTS", tmp_path)
    assert groups._group("long", "good", named=True) == Counts(passed=1)
    assert groups._group("long", "bad", named=True) == Counts(failed=1)


def test_nothing_passed_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(groups, "_group", lambda *_, **__: Counts())
    assert groups.main(["unit"]) == 1


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [([], ["check", *groups.BARE]), (["bench"], ["bench"]), (["check"], ["check"]), (["unit", "x"], ["unit x"])],
    ids=str,
)
def test_what_is_run(arguments: list[str], expected: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[str] = []

    def group(name: str, part: str | None, *, named: bool) -> Counts:
        ran.append(f"{name} {part or ''}".strip())
        assert named is bool(arguments)
        return Counts(passed=1)

    def checks() -> Counts:
        ran.append("check")
        return Counts(passed=3)

    monkeypatch.setattr(groups, "_group", group)
    monkeypatch.setattr(groups, "_checks", checks)
    monkeypatch.setattr(groups, "_missing_packages", lambda _: [])
    assert groups.main(arguments) == 0
    assert ran == expected


def test_what_is_missing_and_may_not_be_installed_is_told_in_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[list[str]] = []

    def refuse(command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        asked.append(command)
        return subprocess.CompletedProcess(command, 1)

    monkeypatch.setattr(shutil, "which", lambda name: None if "mosquitto" in name else f"/usr/bin/{name}")
    monkeypatch.setattr(subprocess, "run", refuse)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert groups.main(["system"]) == 3
    assert [command[:2] for command in asked] == [["sudo", "-n"]]
    line = capsys.readouterr().out.splitlines()[-1]
    assert line.strip().startswith("sudo sh -c ")
    assert line.endswith("mosquitto mosquitto-clients'")
