"""A real MQTT broker of a test's own, on a free port of this machine."""

import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

STARTING_S = 10.0


def free_port() -> int:
    """Give a port that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker(NamedTuple):
    """A running broker."""

    port: int
    process: "subprocess.Popen[bytes]"


@contextmanager
def broker(folder: Path, port: int | None = None) -> Iterator[Broker]:
    """Run mosquitto while the context lasts, on this port or a free one; its files lie in `folder`."""
    port = free_port() if port is None else port
    config = folder / f"broker-{port}.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence false\n")
    with (folder / f"broker-{port}.log").open("ab") as log:
        process = subprocess.Popen(["mosquitto", "-c", str(config)], stdout=log, stderr=log)
    try:
        _wait_for(port)
        yield Broker(port, process)
    finally:
        process.kill()
        process.wait()


def _wait_for(port: int) -> None:
    until = time.monotonic() + STARTING_S
    while time.monotonic() < until:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise TimeoutError(f"mosquitto does not listen on port {port}")
