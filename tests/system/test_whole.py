"""The whole tool over real bytes: from the pickup edge on the pseudo-terminal to curl, the broker and the store."""

import json
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from leverarm_daemon.errors import BadLine
from leverarm_daemon.records import Edge, Load, Pull
from leverarm_daemon.stand.codec import Decoder, unseal
from leverarm_daemon.store.reader import Reader
from support.broker import broker
from support.household import Household, household, until

FEW_WAITS = ("--set", "operator.fit_s=0.5", "--set", "operator.warm_s=1.0")


def lines_of(path: Path) -> list[str]:
    return path.read_text(errors="replace").splitlines() if path.exists() else []


@contextmanager
def listening(path: Path, *command: str) -> Iterator[None]:
    """Let a command write what it hears to a file."""
    with path.open("wb") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


def turning(document: object) -> bool:
    """Tell whether a live picture shows an engine that turns."""
    assert isinstance(document, dict)
    speed = document["values"]["speed_rpm"]["value"]
    return speed is not None and speed > 0


def heard_after(path: Path, prefix: str) -> bool:
    """Tell whether a whole live picture with a turning engine has arrived in this file."""
    documents = [line.removeprefix(prefix) for line in lines_of(path) if line.startswith(prefix)]
    return any(turning(json.loads(text)) for text in documents[:-1])


@pytest.mark.timeout(120)
def test_an_edge_reaches_curl_and_the_broker_within_a_second(tmp_path: Path) -> None:
    capture = tmp_path / "lines"
    with broker(tmp_path) as mosquitto:
        words = ("--capture", str(capture), "--file", "mqtt.host=127.0.0.1", "--file", f"mqtt.port={mosquitto.port}")
        with household(tmp_path, "guard", "recorder", "api", stand_words=(*words, *FEW_WAITS)) as house:
            url = json.loads(house.stand.api_url.read_text())["url"]
            topic = f"{house.stand.mqtt.prefix if house.stand.mqtt else ''}/{house.stand.stand.name}/live"
            curl, sub = tmp_path / "curl", tmp_path / "sub"
            subscribe = ("mosquitto_sub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-t", topic)
            with listening(curl, "curl", "-sN", f"{url}/v1/live"), listening(sub, *subscribe):
                until(lambda: len(lines_of(curl)) > 5 and len(lines_of(sub)) > 1, "both listen", 20)
                house.select()
                until(lambda: not house.view().why_not, "nothing against a start")
                house.ask_allow()
                until(lambda: sum(line.startswith("E ") for line in lines_of(capture)) >= 2, "two edges", 30)
                began = time.monotonic()
                until(lambda: heard_after(curl, "data: "), "a turning engine at curl", 1.0)
                until(lambda: heard_after(sub, ""), "a turning engine at the broker", began + 1.0 - time.monotonic())


def raw_of_capture(path: Path, pull: Pull) -> tuple[list[tuple[int, int]], list[tuple[int, int | None]]]:
    """Give edges and load counts of a pull as they were sent, decoded from the captured lines alone."""
    decoder, edges, loads = Decoder(), [], []
    for line in lines_of(path):
        try:
            frame = decoder.decode(unseal(line.encode()))
        except BadLine:
            continue
        if pull.started_us <= frame.device_us <= pull.ended_us:
            if isinstance(frame, Edge):
                edges.append((frame.device_us, frame.count))
            elif isinstance(frame, Load):
                loads.append((frame.device_us, frame.counts[0]))
    return edges, loads


def pulls_of(house: Household) -> list[Pull]:
    with Reader(house.stand.store) as store:
        return store.pulls()


@pytest.mark.timeout(120)
@pytest.mark.parametrize("into_pull_s", [0.7, 2.5])
def test_a_recorder_killed_in_a_pull_has_the_whole_pull_afterwards(tmp_path: Path, into_pull_s: float) -> None:
    capture = tmp_path / "lines"
    with household(tmp_path, "guard", "recorder", stand_words=("--capture", str(capture), *FEW_WAITS)) as house:
        house.run_engine()
        until(lambda: (house.view().speed_rpm or 0) > 3700, "the top of a pull", 30)
        time.sleep(into_pull_s)
        house.kill("recorder", signal.SIGKILL)
        time.sleep(1.0)
        assert not house.stand.store.exists() or not pulls_of(house), "the pull is not over"
        house.start("recorder")
        until(lambda: pulls_of(house), "the pull", 30)
        with Reader(house.stand.store) as store:
            pull = store.pull(pulls_of(house)[-1].id)
            raw = store.raw(pull.id).raw
        assert pull.kept
        edges, loads = raw_of_capture(capture, pull)
        assert len(edges) > 100
        assert len(loads) > 200
        inside = [row for row in raw.edges if pull.started_us <= row[0] <= pull.ended_us]
        counts = [row for row in raw.loads if pull.started_us <= row[0] <= pull.ended_us]
        assert (inside, counts) == (edges, loads), "what is stored is what was sent"
        assert house.view().state == "running", "the engine never noticed"
