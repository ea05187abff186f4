"""The demonstration: a campaign of pulls on a simulated stand that runs, and what it found.

    python -m leverarm_simulators.demo STATE_DIR/stand.toml [--json]

Guard, recorder and simulated stand must be running. Talks to the guard as any client does, and reads the store.
Exit code 0 when all is as it must be, 1 when something failed, 2 when it could not begin.
"""

import argparse
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import LeverarmError, PeerGone, RefuseToStart, StoreError
from leverarm_daemon.ipc.blocking import ask_guard
from leverarm_daemon.ipc.messages import Allow, Ask, Done, Reset, Select, Stop
from leverarm_daemon.records import GuardView, Pull, Trip
from leverarm_daemon.store.reader import Reader
from leverarm_simulators.campaign import Order, Seen, campaign
from leverarm_simulators.result import Result, judge
from leverarm_simulators.scenario import Scenario
from leverarm_simulators.show import show
from leverarm_simulators.stand_file import scenario_of

WHO = "demonstration"
LOOK_S = 0.1
STORE_EVERY = 3
BEGIN_S = 30.0
MOST = 1000
CANNOT_BEGIN = 2


class Desk:
    """The desk from which the demonstration is run: the guard's socket and the store; earlier pulls are left aside."""

    def __init__(self, stand_file: StandFile) -> None:
        self.stand_file = stand_file
        self.view = self._wait_for_guard()
        self._first_pull = max((pull.id for pull in self._read()[0]), default=0) + 1
        self._first_trip = max((trip.id for trip in self._read()[1]), default=0) + 1

    def _wait_for_guard(self) -> GuardView:
        end_s = time.monotonic() + BEGIN_S
        while True:
            try:
                view = self.look()
                if view.link == "up":
                    return view
                problem = view.link
            except PeerGone as error:
                problem = str(error)
            if time.monotonic() > end_s:
                raise RefuseToStart(f"the guard is not ready: {problem}")
            time.sleep(LOOK_S)

    def look(self) -> GuardView:
        """Ask for the guard's view; raises PeerGone."""
        reply = ask_guard(self.stand_file.guard_sock, Ask())
        if not isinstance(reply, Done):
            raise PeerGone(f"guard.sock: {reply}")
        self.view = reply.view
        return reply.view

    def obey(self, order: Order) -> None:
        """Pass an order on; a refusal is no failure here, since the campaign looks again and repeats it."""
        revision = self.view.revision
        if order.word == "stop":
            ask_guard(self.stand_file.guard_sock, Stop(WHO))
        elif order.word == "allow":
            ask_guard(self.stand_file.guard_sock, Allow(WHO, revision))
        elif order.word == "reset":
            ask_guard(self.stand_file.guard_sock, Reset(WHO, revision))
        else:
            build = self.stand_file.build(order.build)
            if build is None:
                raise RefuseToStart(f"the stand file has no build {order.build!r}")
            ask_guard(self.stand_file.guard_sock, Select(WHO, revision, build))

    def recorded(self) -> tuple[list[Pull], list[Trip]]:
        """Give pulls and trips recorded since the demonstration began, newest first."""
        pulls, trips = self._read()
        return [p for p in pulls if p.id >= self._first_pull], [t for t in trips if t.id >= self._first_trip]

    def _read(self) -> tuple[list[Pull], list[Trip]]:
        try:
            with Reader(self.stand_file.store) as reader:
                return reader.pulls(limit=MOST), reader.trips(limit=MOST)
        except StoreError:
            return [], []               # the recorder has not made it yet


class Display:
    """The progress display on a terminal; on standard error, so that --json stays clean."""

    def __init__(self, total: int) -> None:
        self._progress = Progress(
            TextColumn("[bold]{task.description:<14}"), BarColumn(), MofNCompleteColumn(), TextColumn("pulls"),
            TimeElapsedColumn(), TextColumn("{task.fields[told]}"), console=Console(stderr=True),
        )
        self._task = self._progress.add_task("getting ready", total=total, told="")

    def __enter__(self) -> Self:
        self._progress.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._progress.stop()

    def update(self, view: GuardView, pulls: int) -> None:
        """Show how far it is."""
        told = f"{view.build or ''} {view.speed_rpm or 0:5.0f} rpm"
        self._progress.update(self._task, completed=pulls, description=view.first_cause or view.state, told=told)


def drive(desk: Desk, scenario: Scenario, display: Display) -> None:
    """Work the campaign through in real time; raises CampaignFailed, PeerGone."""
    orders = campaign(scenario.builds(), scenario.campaign.brake_fails)
    next(orders)
    pulls, trips, looks = 0, 0, 0
    while True:
        view = desk.look()
        if looks % STORE_EVERY == 0:
            found, tripped = desk.recorded()
            pulls, trips = sum(pull.kept for pull in found), len(tripped)
        looks += 1
        display.update(view, pulls)
        try:
            order = orders.send(Seen(time.monotonic(), view, pulls, trips))
        except StopIteration:
            return
        if order is not None:
            desk.obey(order)
        time.sleep(LOOK_S)


def demonstrate(stand_file: StandFile, scenario: Scenario) -> Result:
    """Run the whole demonstration; raises RefuseToStart when it cannot begin."""
    desk = Desk(stand_file)
    if not desk.view.simulated:
        raise RefuseToStart("this stand is not simulated, and the demonstration lets the brake go: not here")
    begin_s = time.monotonic()
    problems: tuple[str, ...] = ()
    with Display(len(scenario.builds())) as display:
        try:
            drive(desk, scenario, display)
        except LeverarmError as error:
            problems = (str(error),)
    pulls, trips = desk.recorded()
    result = judge(scenario, stand_file.builds, pulls, trips, round(time.monotonic() - begin_s, 1))
    return msgspec.structs.replace(result, failures=problems + result.failures)


def complain(problem: str, as_json: bool) -> None:
    """Say on standard error why it cannot begin; for machines in the shape that `leverarm` uses."""
    trouble = {"error": problem, "reasons": (), "exit_code": CANNOT_BEGIN}
    sys.stderr.write((msgspec.json.encode(trouble).decode() if as_json else problem) + "\n")


def main() -> int:
    """Run by `python -m`."""
    parser = argparse.ArgumentParser(prog="python -m leverarm_simulators.demo", description="The demonstration.")
    parser.add_argument("stand_file", type=Path)
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    arguments = parser.parse_args()
    try:
        result = demonstrate(load_stand_file(arguments.stand_file), scenario_of(arguments.stand_file))
    except LeverarmError as error:
        complain(str(error), arguments.json)
        return CANNOT_BEGIN
    if arguments.json:
        print(msgspec.json.format(msgspec.json.encode(result)).decode())  # noqa: T201
    else:
        show(Console(), result)
    return 1 if result.failures else 0


if __name__ == "__main__":
    sys.exit(main())
