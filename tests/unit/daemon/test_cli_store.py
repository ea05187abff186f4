"""Pulls, comparison and trips at the command line, and what is said when something is wrong."""

from pathlib import Path

import msgspec
import pytest

from leverarm_daemon import cli
from leverarm_daemon.causes import CAUSES
from leverarm_daemon.ipc.messages import Keep, No
from leverarm_daemon.store.changes import KeepChange
from leverarm_daemon.store.writer import Writer
from support.api import PULLS, make_store
from support.fakes import FakeRecorder
from support.terminal import Run

pytestmark = pytest.mark.usefixtures("elsewhere")


async def test_pulls_are_listed_newest_first(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    said = await run("pulls")
    lines = said.out.splitlines()
    rows = [line.split() for line in lines if line.strip() and line.split()[0].isdigit()]
    assert [row[0] for row in rows] == ["7", "6", "5", "4", "3", "2", "1"]
    assert rows[0][4:] == ["9.00", "2,500", "2.700", "3,300", "release", "short"]
    assert rows[1][8:] == ["release", "yes"]
    assert "All simulated: no real engine." in said.out
    assert "leverarm keep 7" in said.out
    assert [pull["id"] for pull in (await run("pulls", "--json", "--limit", "2")).value] == [7, 6]
    assert [pull["id"] for pull in (await run("pulls", "--json", "--build", "foam")).value] == [6, 3, 2]


async def test_pulls_of_an_unknown_build_are_no_empty_list(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    said = await run("pulls", "--build", "nix")
    assert said.code == cli.UNUSABLE
    assert "no pulls of a build 'nix'; there are pulls of: foam, paper" in said.err


async def test_an_empty_store_is_no_error(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite", pulls=())
    assert (await run("pulls")).out == "No pulls yet.\n"
    assert (await run("pulls", "--json")).value == []


async def test_compare_says_the_verdict_first(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    said = await run("compare", "paper", "foam")
    lines = said.out.splitlines()
    assert lines[0].startswith("foam against paper: peak power 6.6 % lower (95 % interval")
    assert "peak torque" in lines[1]
    paper, foam, difference = (line.split() for line in lines if "kW" in line and ":" not in line)
    assert paper[1:6] == ["peak", "power", "3", "4.530", "kW"]
    assert foam[1:7] == ["peak", "power", "3", "4.230", "kW", "0.030"]
    assert difference[:4] == ["peak", "power", "kW", "-0.300"]
    assert difference[-1] == "lower"
    assert "foam minus paper" in said.out
    assert said.out.count("mind: provisional") == 1
    told = (await run("compare", "paper", "foam", "--json")).value
    assert [group["build"] for group in told["groups"]] == ["paper", "foam"]
    assert [comparison["verdict"] for comparison in told["comparisons"]] == ["lower", "lower"]


async def test_horsepower_is_shown_when_asked_for_and_the_numbers_for_machines_stay(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    listed = (await run("pulls", "--hp", "--limit", "2")).out
    assert "lb·ft" in listed
    newest = next(line.split() for line in listed.splitlines() if line.strip().startswith("7 "))
    assert [newest[4], newest[6]] == ["6.64", "3.621"]      # 9 N·m / 1.3558, 2.7 kW / 0.7457
    said = (await run("compare", "paper", "foam", "--hp")).out
    assert "5.67 against 6.07 hp" in said
    assert "10.40 against 11.14 lb·ft" in said
    assert "kW" not in said
    assert "N·m" not in said
    told = (await run("compare", "paper", "foam", "--hp", "--json")).value["comparisons"][0]
    assert (told["unit"], round(told["difference"], 6)) == ("kW", -0.3)


async def test_compare_says_what_cannot_be_compared(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    unknown = await run("compare", "paper", "nix")
    assert (unknown.code, "there are pulls of: foam, paper" in unknown.err) == (cli.UNUSABLE, True)
    same = await run("compare", "foam", "foam")
    assert (same.code, "name the same build" in same.err) == (cli.UNUSABLE, True)


async def test_compare_without_pulls_that_count_is_refused(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite", pulls=(*PULLS[:3], msgspec.structs.replace(PULLS[6], build="short")))
    said = await run("compare", "paper", "short", "--json")
    assert said.code == cli.REFUSED
    assert "has no kept pulls" in said.trouble.reasons[0]


async def test_trips_are_listed(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    *_, row, overspeed, asked, simulated = (await run("trips")).out.splitlines()
    assert row.split()[3:] == ["overspeed", "asked", "4,215", "4,200", "4,390", "190"]
    assert overspeed == f"overspeed: {CAUSES['overspeed'].words}."
    assert asked == f"asked: {CAUSES['asked'].words}."
    assert simulated == "All simulated: no real engine."
    assert (await run("trips", "--json")).value[0]["overshoot_rpm"] == 190.0


async def test_keep_passes_the_reason_on(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    recorder = FakeRecorder()
    async with recorder.listening(tmp_path / "recorder.sock"):
        assert (await run("keep", "7", "--why", "long enough")).out == "Pull 7 counts now.\n"
        told = await run("keep", "1", "--out", "--why", "strap slipped", "--json")
        recorder.keep_answer = No("refused", ("the disk is full",))
        refused = await run("keep", "2", "--why", "x")
    assert told.value == {"pull": 1, "kept": False, "why": "strap slipped"}
    assert recorder.kept[:2] == [Keep(7, True, cli.who(), "long enough"), Keep(1, False, cli.who(), "strap slipped")]
    assert (refused.code, "the disk is full" in refused.err) == (cli.REFUSED, True)


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("keep", "99", "--why", "x"), cli.UNUSABLE, "there is no pull 99; `leverarm pulls` lists them"),
        (("keep", "two", "--why", "x"), cli.UNUSABLE, "'two' is not a valid integer. Try: leverarm keep -h"),
        (("keep", "2"), cli.UNUSABLE, "Missing option '--why'. Try: leverarm keep -h"),
        (("keep", "2", "--why", "x"), cli.NOT_RUNNING, "nothing is running in"),
        (("pulls", "--limit", "0"), cli.UNUSABLE, "0 is not in the range"),
        (("nonsense",), cli.UNUSABLE, "No such command 'nonsense'. Try: leverarm -h"),
        (("start",), cli.UNUSABLE, "No such file or directory"),
        (("start", "--simulate", "--once"), cli.UNUSABLE, "--once goes with --demo"),
        (("start", "--simulate", "--stand", "x"), cli.UNUSABLE, "either --simulate or --stand FILE"),
        (("start", "--stand", "x", "--demo"), cli.UNUSABLE, "belong to --simulate"),
    ],
)
async def test_what_cannot_be_is_one_sentence(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], code: int, sentence: str
) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    if words == ("start",):
        monkeypatch.setenv("LEVERARM_STAND", "missing.toml")
    said = await run(*words)
    assert (said.code, said.out, said.err.count("\n")) == (code, "", 1)
    assert said.err.startswith("leverarm: ")
    assert sentence in said.err
    assert sentence in (await run(*words, "--json")).trouble.error


async def test_start_alone_says_which_stands_there_are(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LEVERARM_STAND")
    said = await run("start")
    assert said.code == cli.UNUSABLE
    assert "`leverarm start --simulate` for the simulated one" in said.err
    assert "`leverarm start --stand FILE` for a real one" in said.err


async def test_the_reason_of_a_keep_is_shown(run: Run, tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    writer = Writer(tmp_path / "leverarm.sqlite")
    writer.start()
    writer.submit(KeepChange(2, False, "ann", "choke on", "t")).result(5)
    writer.close()
    assert "Pull 2 is left out: choke on" in (await run("pulls")).out
    assert [pull["kept_why"] for pull in (await run("pulls", "--json")).value[-3:]] == ["", "choke on", ""]
