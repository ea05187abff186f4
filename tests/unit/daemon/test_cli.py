"""Each command as a person types it, and as a machine does; and what is said when something is wrong."""

import getpass
import os
import re
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest

from leverarm_daemon import cli
from leverarm_daemon.ipc.messages import Allow, Ask, GuardReply, GuardRequest, Reset, Select, Stop
from leverarm_daemon.records import Quality, Value
from support.api import make_store
from support.fakes import FakeGuard, FakeRecorder, view
from support.stand import write_stand_file
from support.terminal import Run, Said

pytestmark = pytest.mark.usefixtures("elsewhere")


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
