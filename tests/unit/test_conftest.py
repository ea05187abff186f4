"""The look for leftovers: each kind of leak fails the test that made it, and tidy tests pass."""

import shutil
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]

LEAKS = '''
import asyncio, pty, socket, subprocess, threading
kept = []

def test_tidy():
    with socket.socket():
        thread = threading.Thread(target=int)
        thread.start()
        thread.join()

async def test_tidy_async():
    await asyncio.to_thread(int)
    await asyncio.create_task(asyncio.sleep(0))

def test_leaves_socket():
    kept.append(socket.socket())

def test_leaves_terminal():
    kept.append(pty.openpty())

def test_leaves_file(tmp_path):
    kept.append((tmp_path / "a").open("w"))

def test_leaves_thread():
    threading.Thread(target=threading.Event().wait, daemon=True).start()

def test_leaves_process():
    kept.append(subprocess.Popen(["sleep", "30"]))

async def test_leaves_task():
    kept.append(asyncio.create_task(asyncio.sleep(30)))

def test_ends():
    kept[3].kill()
    kept[3].wait()
'''


def test_each_leak_is_found_and_no_tidy_test_is_blamed(tmp_path: Path) -> None:
    shutil.copy(TESTS / "conftest.py", tmp_path)
    (tmp_path / "test_leaks.py").write_text(LEAKS)
    config = TESTS.parent / "pyproject.toml"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", str(config)]
    done = subprocess.run(
        [*command, "--rootdir", str(tmp_path), str(tmp_path)], capture_output=True, text=True, check=False
    )
    blamed = {line.split("::")[1].split()[0] for line in done.stdout.splitlines() if line.startswith("ERROR")}
    kinds = ("socket", "terminal", "file", "thread", "process", "task")
    assert blamed == {f"test_leaves_{kind}" for kind in kinds}, done.stdout
    assert "9 passed, 6 errors" in done.stdout
