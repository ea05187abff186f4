"""Each command as a person types it, and as a machine does; and what is said when something is wrong."""

import asyncio
import getpass
import os
import re
import socket
import subprocess
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest

from leverarm_daemon import cli
from leverarm_daemon.causes import CAUSES
from leverarm_daemon.ipc.messages import Allow, Ask, GuardReply, GuardRequest, Keep, No, Reset, Select, Stop
from leverarm_daemon.records import Quality, Value
from leverarm_daemon.store.changes import KeepChange
from leverarm_daemon.store.writer import Writer
from support.api import PULLS, make_store
from support.fakes import FakeGuard, FakeRecorder, view
from support.stand import write_stand_file


class Said(NamedTuple):
    """What a command said."""

    code: int
    out: str
    err: str

    @property
    def value(self) -> Any:
        """The one JSON value on standard output."""
        assert (self.code, self.err) == (0, ""), self
        return msgspec.json.decode(self.out)

    @property
    def trouble(self) -> cli.Trouble:
        """The JSON object on standard error; nothing may be on standard output."""
        assert self.out == ""
        found = msgspec.json.decode(self.err, type=cli.Trouble)
        assert found.exit_code == self.code
        return found


Run = Callable[..., Awaitable[Said]]


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder, with no stand file named."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LEVERARM_STAND", raising=False)
    monkeypatch.setattr(cli, "STAND_FILES", ("var/demo/stand.toml",))
    monkeypatch.setattr(cli, "STOPS_WITHIN_S", 0.2)


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command on a stand in `tmp_path`, beside the loop that serves the fakes."""
    monkeypatch.setenv("LEVERARM_STAND", str(write_stand_file(tmp_path)))

    async def ran(*words: str) -> Said:
        code = await asyncio.to_thread(cli.main, list(words))
        return Said(code, *capsys.readouterr())

    return ran


# --- asking the guard ----------------------------------------------------------------------------


async def test_state_says_what_is_and_what_speaks_against_a_start(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    guard.view = view(
        state="tripped", first_cause="overspeed", followed_by=("shield-open",), notices=("recorder-silent",),
        why_not=("tripped: reset it first", "no build is selected"), speed_rpm=1234.0,
        inputs=(("loop", True), ("shield", False), ("key", False), ("door", True)),
    )
    async with guard.listening(tmp_path / "guard.sock"):
        said = await run("state")
        told = await run("state", "--json")
    assert (said.code, said.err) == (0, "")
    for words in (
        "tripped", "(simulated stand)", "faster than the weakest rotating part allows (overspeed)", "Look at strap",
        "the shield was opened", "1,234 rpm", "trips at 4,200 rpm", "not now: tripped: reset it first",
        "and: no build is selected", "the recorder does not listen",
        "stop loop closed, shield open, key not turned, door on",
    ):
        assert words in said.out
    assert msgspec.convert(told.value, cli.Told) == cli.Told(**msgspec.structs.asdict(guard.view))
    assert "no values: the recorder does not answer" in said.out
    assert not re.search(r" $", said.out, re.MULTILINE)


async def test_state_shows_live_values_with_what_is_wrong_with_them(run: Run, tmp_path: Path) -> None:
    guard, recorder = FakeGuard(), FakeRecorder()
    values = {**recorder.picture.values, "torque_corrected_nm": Value(15.5, "N·m", Quality.SUSPECT, "provisional"),
              "load_counts": Value(4512.0, "counts")}
    recorder.picture = msgspec.structs.replace(recorder.picture, values=values, age_ms=900)
    async with guard.listening(tmp_path / "guard.sock"), recorder.listening(tmp_path / "recorder.sock"):
        said, trade, told = await run("state"), await run("state", "--hp"), await run("state", "--json")
    for words in ("2,600 rpm", "15.20 N·m", "15.50 N·m   (suspect: provisional)", "-   (open)", "4,512 counts",
                  "the newest line of the stand is 0.9 s old"):
        assert words in said.out
    assert "11.43 lb·ft   (suspect: provisional)" in trade.out
    assert told.value["values"]["torque_nm"]["value"] == 15.2


async def test_a_recorder_that_is_frozen_keeps_no_state_from_being_shown(run: Run, tmp_path: Path) -> None:
    guard, recorder = FakeGuard(), FakeRecorder()
    recorder.sending = False
    async with guard.listening(tmp_path / "guard.sock"), recorder.listening(tmp_path / "recorder.sock"):
        said = await run("state")
    assert (said.code, "may be allowed" in said.out) == (0, True)
    assert "no values: the recorder does not answer" in said.out


async def test_what_was_asked_on_an_old_picture_is_told_once_and_without_a_number(run: Run, tmp_path: Path) -> None:
    guard = Changing()
    async with guard.listening(tmp_path / "guard.sock"):
        said = await run("allow")
    assert said.code == cli.REFUSED
    assert said.err.count("the stand has changed since you looked: look at its state again, then decide") == 1
    assert "revision" not in said.err


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "may be allowed: leverarm allow"),
        ({"state": "start-allowed", "why_not": ("a start is already allowed",)}, "pull the cord"),
        ({"speed_rpm": None}, "no speed (still, or below 60 rpm)"),
        ({"state": "tripped", "link": "no cable", "why_not": ("no cable",)}, "and then: a reset will be needed too"),
        ({"link": "the stand does not report", "speed_rpm": None}, "not known"),
        ({"build": None, "trip_rpm": None}, "none selected"),
        ({"state": "unknown"}, "unknown"),
    ],
)
async def test_state_in_words(run: Run, tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    guard = FakeGuard()
    guard.view = view(**changes)
    async with guard.listening(tmp_path / "guard.sock"):
        assert words in (await run("state")).out


async def test_allow_asks_with_the_revision_that_was_seen(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    async with guard.listening(tmp_path / "guard.sock"):
        assert (await run("allow", "--json")).value["state"] == "start-allowed"
    assert guard.asked == [Ask(), Allow(cli.who(), 7)]


async def test_a_refusal_gives_every_reason(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    guard.view = view(why_not=("the shield is open", "no build is selected"))
    async with guard.listening(tmp_path / "guard.sock"):
        said = await run("allow")
        told = await run("allow", "--json")
    assert (said.code, said.out) == (cli.REFUSED, "")
    assert said.err == "leverarm: not done, because\n  - the shield is open\n  - no build is selected\n"
    assert told.trouble == cli.Trouble("not done", guard.view.why_not, cli.REFUSED)


async def test_reset_asks_with_the_revision_that_was_seen(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    async with guard.listening(tmp_path / "guard.sock"):
        assert (await run("reset")).code == 0
    assert guard.asked[-1] == Reset(cli.who(), 7)


async def test_select_sends_the_build_of_the_stand_file(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    async with guard.listening(tmp_path / "guard.sock"):
        name = cli.find_stand_file(os.environ["LEVERARM_STAND"]).builds[0].name
        assert (await run("select", name, "--json")).value["build"] == name
        unknown = await run("select", "nix")
    asked = guard.asked[1]
    assert isinstance(asked, Select)
    assert (asked.build.name, asked.revision) == (name, 7)
    assert (unknown.code, unknown.out) == (cli.UNUSABLE, "")
    assert f"no build 'nix' in the stand file; there are: {name}" in unknown.err


async def test_stop_waits_for_the_stand_to_say_so(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    guard.view = view(state="running")
    async with guard.listening(tmp_path / "guard.sock"):
        assert (await run("stop", "--json")).value["state"] == "held"
    assert guard.asked[0] == Stop(cli.who())


class Changing(FakeGuard):
    """Has changed each time somebody asks."""

    def _answer(self, request: GuardRequest) -> GuardReply:
        answered = super()._answer(request)
        self.view = msgspec.structs.replace(self.view, revision=self.view.revision + 1)
        return answered


class Deaf(FakeGuard):
    """Says that it stops, and nothing comes of it."""

    def _become(self, state: str, **changes: Any) -> None:
        pass


async def test_a_stop_that_has_no_effect_is_no_success(run: Run, tmp_path: Path) -> None:
    guard = Deaf()
    guard.view = view(state="running")
    async with guard.listening(tmp_path / "guard.sock"):
        said = await run("stop")
    assert said.code == cli.REFUSED
    assert "press the button" in said.err


async def test_a_stop_without_a_guard_points_at_the_button(run: Run) -> None:
    said = await run("stop")
    assert (said.code, said.out) == (cli.NOT_RUNNING, "")
    assert "NOT STOPPED from here, press the button on the stand" in said.err


@pytest.mark.parametrize("words", [("state",), ("allow",), ("reset",)])
async def test_a_dead_guard_is_told_with_what_to_do(run: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    said = await run(*words)
    assert said.code == cli.NOT_RUNNING
    assert said.err == (
        f"leverarm: nothing is running in {tmp_path}. "
        "Start the stand with `leverarm start`, or name its file with --stand\n"
    )


async def test_a_guard_that_was_killed_is_told(run: Run, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(tmp_path / "guard.sock"))
    said = await run("state")
    assert (said.code, "the guard has died" in said.err) == (cli.NOT_RUNNING, True)


async def test_a_guard_that_hangs_is_told(run: Run, tmp_path: Path) -> None:
    guard = FakeGuard()
    guard.silent = True
    async with guard.listening(tmp_path / "guard.sock"):
        said, stopped = await run("state"), await run("stop")
    assert (said.code, stopped.code) == (cli.NOT_RUNNING, cli.NOT_RUNNING)
    assert said.err == "leverarm: the guard does not answer: use the button on the stand\n"
    assert "NOT STOPPED from here, press the button on the stand" in stopped.err


async def test_a_socket_of_somebody_else_is_told(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "guard.sock").touch()
    monkeypatch.setattr(os, "access", lambda *_: False)     # root may always
    said = await run("state")
    assert said.code == cli.UNUSABLE
    assert "Ask as the user who started it" in said.err


def test_who_asks_has_a_name_even_without_one(monkeypatch: pytest.MonkeyPatch) -> None:
    def nameless() -> str:
        raise KeyError(4711)

    monkeypatch.setattr(getpass, "getuser", nameless)
    assert cli.who() == f"user {os.getuid()} at the terminal"


# --- pulls, comparison, trips --------------------------------------------------------------------


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


# --- stand file and store ------------------------------------------------------------------------


@pytest.mark.parametrize("command", sorted(set(cli.main_group.commands) - {"start"}))
def test_without_a_stand_file_each_command_says_how_to_name_one(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = {"select": ["x"], "keep": ["1", "--why", "x"], "compare": ["a", "b"]}.get(command, [])
    assert cli.main([command, *words, "--json"]) == cli.UNUSABLE
    out, err = capsys.readouterr()
    trouble = Said(cli.UNUSABLE, out, err).trouble
    assert "no stand file" in trouble.error
    assert "--stand FILE" in trouble.error


def test_the_stand_file_of_the_demonstration_is_found(tmp_path: Path) -> None:
    folder = tmp_path / "var" / "demo"
    folder.mkdir(parents=True)
    write_stand_file(folder)
    assert cli.find_stand_file(None).state_dir == str(folder)


def test_a_wrong_key_is_named_with_its_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_stand_file(tmp_path)
    path.write_text(path.read_text().replace("arm_m =", "arm_mm ="))
    assert cli.main(["state", "--stand", str(path)]) == cli.UNUSABLE
    out, err = capsys.readouterr()
    assert out == ""
    assert f"leverarm: {path}: brake" in err
    assert "arm_mm" in err


@pytest.mark.parametrize("words", [("pulls",), ("trips",), ("compare", "a", "b"), ("keep", "1", "--why", "x")])
async def test_a_missing_store_says_who_makes_it(run: Run, words: tuple[str, ...]) -> None:
    said = await run(*words)
    assert (said.code, said.out) == (cli.UNUSABLE, "")
    assert "leverarm.sqlite does not exist yet: start" in said.err


async def test_a_store_that_is_none_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "leverarm.sqlite").write_bytes(b"not a database, but long enough to be taken for one" * 100)
    said = await run("pulls")
    assert said.code == cli.UNUSABLE
    assert "Move it away" in said.err


async def test_a_store_that_cannot_be_read_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "leverarm.sqlite").mkdir()
    said = await run("trips")
    assert said.code == cli.UNUSABLE
    assert "cannot be read" in said.err


# --- all of them ---------------------------------------------------------------------------------


@pytest.mark.parametrize("command", sorted(cli.main_group.commands))
def test_each_command_takes_json_and_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([command, "--help"]) == 0
    out, err = capsys.readouterr()
    assert "--json" in out
    assert "--stand FILE" in out
    assert err == ""


def test_without_a_command_it_explains_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([]) == 0
    assert "no emergency stop" in capsys.readouterr().out


def test_a_reader_who_has_enough_is_no_error(tmp_path: Path) -> None:
    make_store(tmp_path / "leverarm.sqlite")
    command = [sys.executable, "-m", "leverarm_daemon.cli", "pulls", "--stand", str(write_stand_file(tmp_path))]
    for more in ([], ["--json"]):
        reading, writing = os.pipe()
        os.close(reading)
        with os.fdopen(writing) as nobody:
            done = subprocess.run([*command, *more], stdout=nobody, stderr=subprocess.PIPE, text=True, check=False)
        assert done.stderr == ""
