"""What `leverarm start` does: all processes of one stand, the address, the demonstration, and an orderly end."""

import errno
import socket
import subprocess
import time
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Final

import msgspec
from rich.console import Console

from leverarm_daemon.config import load_stand_file
from leverarm_daemon.errors import LeverarmError, RefuseToStart
from leverarm_daemon.ipc.blocking import ask_guard
from leverarm_daemon.ipc.messages import Done, Stop
from leverarm_daemon.records import Record
from leverarm_daemon.supervise import STOP_WITHIN_S, Household, end_process, python

UP_WITHIN_S: Final = 30.0
LOOK_S: Final = 0.2
PROBE_S: Final = 0.2
NOBODY: Final = (errno.ENOENT, errno.ECONNREFUSED, errno.ENOTDIR)
INTERRUPTED: Final = 130
"""The exit code when Ctrl-C came before everything was up, or in the middle of the demonstration."""

TOLD_ONCE: Final = "token: "
LISTENING: Final = "listening: "
"""What the API says on its standard output, once it can be asked."""


class Wish(Record):
    """What a person asked to have started. Without a stand file: the simulated stand, playing `scenario`."""

    stand_file: Path | None
    state_dir: Path
    scenario: str
    settings: tuple[str, ...]
    demo: bool
    once: bool
    as_json: bool


class Running(Record):
    """What runs now. The token is there only when it has just been made."""

    url: str
    stand_file: str
    logs: str
    token: str | None


class Teller:
    """Tells a person how it goes: steps and troubles on standard error, what they asked for on standard output."""

    def __init__(self, as_json: bool) -> None:
        self._as_json = as_json
        self.asides = Console(stderr=True, highlight=False)
        self._out = self.asides if as_json else Console(highlight=False)

    def step(self, words: str) -> AbstractContextManager[object]:
        """Show what is going on while it lasts."""
        return self.asides.status(words)

    def trouble(self, words: str) -> None:
        """Tell what went wrong, and goes on."""
        self.asides.print(words, style="yellow", markup=False, soft_wrap=True)

    def say(self, *lines: str) -> None:
        """Tell something."""
        self._out.print(*lines, sep="\n", markup=False, soft_wrap=True)

    def answer(self, value: object) -> None:
        """Print the one value that a machine asked for, if it did."""
        if self._as_json:
            Console(soft_wrap=True, markup=False, highlight=False).print(msgspec.json.encode(value).decode())


def start_stand(wish: Wish) -> int:
    """Start everything, and keep it up until told to end; gives the exit code. Raises RefuseToStart."""
    stand_file = wish.stand_file
    folder = Path(load_stand_file(stand_file).state_dir) if stand_file else wish.state_dir.resolve()
    _refuse_a_second(folder)
    teller, code = Teller(wish.as_json), INTERRUPTED
    household, stopped = Household(folder / "log", teller.trouble), False
    with household.told_to_end(), household:
        try:
            running = _bring_up(household, stand_file or _simulated(household, teller, folder, wish), teller)
            code = _demonstrate(household, running, wish.as_json) if wish.demo else 0
            if not wish.once:
                _tell_that_it_runs(teller, running, wish)
                while True:
                    household.pause(LOOK_S)
        except KeyboardInterrupt:
            teller.asides.show_cursor()     # whoever drew there was ended
        finally:
            stopped = _stop_engine(folder)
    asked = "The engine was asked to stop" if stopped else "The guard took no stop from here"
    teller.say(f"{asked}; everything has ended.")
    return code


def _refuse_a_second(folder: Path) -> None:
    if answers(folder / "guard.sock"):
        raise RefuseToStart(f"{folder}: a stand runs from this folder already. End that one, or take another folder")


def answers(path: Path) -> bool:
    """Tell whether a process listens at a local socket; one that is frozen, or not for us, does too."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(PROBE_S)
        try:
            return probe.connect_ex(str(path)) not in NOBODY
        except OSError:                     # a path that no socket can have
            return False


def _stop_engine(folder: Path) -> bool:
    """Stop the engine before the guard ends: an ordinary stop, rather than the trip that a silent guard is.

    Tells whether the guard took it.
    """
    with suppress(LeverarmError):
        return isinstance(ask_guard(folder / "guard.sock", Stop("the end of leverarm start"), timeout_s=0.5), Done)
    return False


# --- coming up -----------------------------------------------------------------------------------


def _simulated(household: Household, teller: Teller, folder: Path, wish: Wish) -> Path:
    """Start the simulated stand and wait until it has written its stand file."""
    heard: list[str] = []
    more = [word for setting in wish.settings for word in ("--set", setting)]
    with teller.step("Starting the simulated stand"):
        household.start("stand", "leverarm_simulators.stand", wish.scenario, str(folder), *more, heard=heard.append)
        household.wait_for(lambda: _said(heard, "ready ") is not None, "the simulated stand", UP_WITHIN_S)
    return folder / "stand.toml"


def _bring_up(household: Household, stand_file: Path, teller: Teller) -> Running:
    """Start guard, recorder and API, each once the one before it can be asked."""
    stand, file, heard = load_stand_file(stand_file), str(stand_file), list[str]()

    def hear(line: str) -> None:
        heard.append(line)
        if household.up:                    # before, it would get between the steps that are shown
            _pass_on(teller, line)

    with teller.step("Starting the guard"):
        household.start("guard", "leverarm_daemon.guard.process", file)
        household.wait_for(lambda: answers(stand.guard_sock), "the guard", UP_WITHIN_S)
    with teller.step("Starting the recorder"):
        household.start("recorder", "leverarm_daemon.recorder.process", file, vital=False)
        household.wait_for(lambda: answers(stand.recorder_sock), "the recorder", UP_WITHIN_S)
    with teller.step("Starting the API"):
        household.start("api", "leverarm_api", file, heard=hear, vital=False)
        household.wait_for(lambda: _said(heard, LISTENING) is not None, "the API", UP_WITHIN_S)
    for line in heard:
        _pass_on(teller, line)
    household.up = True
    return Running(_said(heard, LISTENING) or "", file, str(household.log_dir), _said(heard, TOLD_ONCE))


def _pass_on(teller: Teller, line: str) -> None:
    """Tell what the API says; after a crash it may listen at another address."""
    if line.startswith(TOLD_ONCE):
        teller.say(
            line, "  Write it down, it is shown only now. The page asks for it before anyone may allow a start,",
            "  select a build, reset a trip or change records. A stop never needs it.",
        )
    elif line.startswith(LISTENING):
        teller.say(f"The page: {line.removeprefix(LISTENING)}")


def _said(heard: list[str], beginning: str) -> str | None:
    """Give the rest of the newest line that begins like this."""
    return next((line.removeprefix(beginning) for line in reversed(heard) if line.startswith(beginning)), None)


def _tell_that_it_runs(teller: Teller, running: Running, wish: Wish) -> None:
    teller.say(
        f"Running, until Ctrl-C, which stops the engine too. The page: {running.url}",
        f"  In another terminal: leverarm state --stand {running.stand_file}",
        f"  If something is wrong, look into {running.logs}",
    )
    if not wish.demo:
        teller.answer(running)


# --- the demonstration ---------------------------------------------------------------------------


def _demonstrate(household: Household, running: Running, as_json: bool) -> int:
    """Run the demonstration as a process of its own, since nothing here knows the simulators; give its exit code."""
    command = python("leverarm_simulators.demo", running.stand_file, *(["--json"] if as_json else []))
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, text=True, start_new_session=True)
    try:
        while process.poll() is None:
            household.pause(LOOK_S)
    finally:
        end_process(process, time.monotonic() + STOP_WITHIN_S)
    return process.returncode if process.returncode >= 0 else 128 - process.returncode
