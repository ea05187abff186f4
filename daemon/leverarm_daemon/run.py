"""What `leverarm start` does: all processes of one stand, the address, the demonstration, and Ctrl-C."""

import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import msgspec
from rich.console import Console

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import RefuseToStart
from leverarm_daemon.supervise import Household

UP_WITHIN_S: Final = 30.0


def start_stand(
    stand_path: str | None,
    *,
    as_json: bool,
    console: Console,
    scenario: str,
    demo: bool,
    once: bool,
    state_dir: Path,
    settings: tuple[str, ...],
) -> int:
    """Start everything; give the exit code. Without a stand file the simulated stand is started first."""
    if (demo or once) and stand_path:
        raise RefuseToStart("the demonstration runs on the simulated stand only: it works the throttle by itself")
    signal.signal(signal.SIGTERM, _as_ctrl_c)
    folder = state_dir.resolve() if stand_path is None else Path(load_stand_file(Path(stand_path)).state_dir)
    with Household(folder / "log", lambda _: None) as household:
        try:
            stand_file = Path(stand_path) if stand_path else _simulated(household, folder, scenario, settings)
            stand = _start_processes(household, stand_file, console)
            code = _demonstrate(stand_file, as_json) if demo else 0
            if once:
                return code
            console.print(f"Running: {_address(stand)}   (logs in {folder / 'log'}; Ctrl-C ends it)", soft_wrap=True)
            while True:
                household.look()
                time.sleep(0.5)
        except KeyboardInterrupt:
            return 0


def _as_ctrl_c(*_: object) -> None:
    raise KeyboardInterrupt


def _simulated(household: Household, folder: Path, scenario: str, settings: tuple[str, ...]) -> Path:
    """Start the simulated stand and wait until it has written its stand file."""
    folder.mkdir(parents=True, exist_ok=True)
    ready: list[str] = []
    more = [word for setting in settings for word in ("--set", setting)]
    household.start("stand", "leverarm_simulators.stand", scenario, str(folder), *more, heard=ready.append)
    household.wait_for(lambda: any(line.startswith("ready ") for line in ready), "the simulated stand", UP_WITHIN_S)
    return folder / "stand.toml"


def _start_processes(household: Household, stand_file: Path, console: Console) -> StandFile:
    stand = load_stand_file(stand_file)
    stand.api_url.unlink(missing_ok=True)
    household.start("guard", "leverarm_daemon.guard.process", str(stand_file))
    household.wait_for(stand.guard_sock.exists, "the guard", UP_WITHIN_S)
    household.start("recorder", "leverarm_daemon.recorder.process", str(stand_file))
    household.wait_for(stand.recorder_sock.exists, "the recorder", UP_WITHIN_S)
    household.start("api", "leverarm_api", str(stand_file), heard=lambda line: console.print(line, soft_wrap=True))
    household.wait_for(stand.api_url.exists, "the page", UP_WITHIN_S)
    console.print(f"The page: {_address(stand)}", soft_wrap=True)
    return stand


def _address(stand: StandFile) -> str:
    return str(msgspec.json.decode(stand.api_url.read_bytes())["url"])


def _demonstrate(stand_file: Path, as_json: bool) -> int:
    """Run the demonstration as a process of its own, since nothing here knows the simulators."""
    command = [sys.executable, "-m", "leverarm_simulators.demo", str(stand_file), *(["--json"] if as_json else [])]
    return subprocess.run(command, check=False).returncode
