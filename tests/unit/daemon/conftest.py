"""The command line, on a stand in a folder of the test's own."""

import asyncio
from pathlib import Path

import pytest

from leverarm_daemon import cli
from support.stand import write_stand_file
from support.terminal import Run, Said


@pytest.fixture
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
