"""The command line `leverarm`: starts the stand's processes, and asks them. Every command takes --json."""

import getpass
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click
import msgspec
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import ConfigError, LeverarmError, NotFound, PeerGone, Refused
from leverarm_daemon.ipc.blocking import ask_guard, ask_recorder
from leverarm_daemon.ipc.messages import (
    Allow,
    Ask,
    Done,
    GuardRequest,
    Keep,
    No,
    RecorderReply,
    Reset,
    Select,
    Stop,
)
from leverarm_daemon.records import Comparison, GuardView, Pull, Trip
from leverarm_daemon.run import start_stand
from leverarm_daemon.store.reader import Reader

STAND_FILES: Final = ("var/demo/stand.toml", "/etc/leverarm/stand.toml")
REFUSED, UNUSABLE, NOT_RUNNING = 1, 2, 3

console = Console()


def find_stand_file(given: str | None) -> StandFile:
    """Load the stand file that was named, or the first that is there; raises ConfigError."""
    for name in (given,) if given else STAND_FILES:
        if given or Path(name).exists():
            return load_stand_file(Path(name))
    raise ConfigError(" or ".join(STAND_FILES), "--stand", "no stand file is there", "name one with --stand FILE")


def who() -> str:
    """Give the name that is kept with what a person asks."""
    try:
        return f"{getpass.getuser()} at the terminal"
    except OSError:
        return f"user {os.getuid()} at the terminal"


def show(value: object, as_json: bool, table: Callable[[], object]) -> None:
    """Print a value for machines or for people."""
    if as_json:
        click.echo(msgspec.json.encode(value))
    else:
        console.print(table())


def ask(stand: StandFile, request: GuardRequest) -> GuardView:
    """Ask the guard; raises Refused with its reasons."""
    reply = ask_guard(stand.guard_sock, request)
    if isinstance(reply, Done):
        return reply.view
    raise Refused(reply.reasons if isinstance(reply, No) else ("the guard answered something unexpected",))


def stand_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add what every asking command takes."""
    command = click.option("--json", "as_json", is_flag=True, help="Print one JSON value for machines.")(command)
    return click.option(
        "--stand", "stand_path", envvar="LEVERARM_STAND", metavar="FILE",
        help=f"The stand file; without it the first that exists of {', '.join(STAND_FILES)}.",
    )(command)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="leverarm")
def main_group() -> None:
    """Measure a small engine on a friction brake, and have it stopped before it hurts anyone.

    A stop from here travels over a computer: it is no emergency stop. The button on the stand is.
    """


@main_group.command()
@click.option("--simulate", is_flag=True, help="Use the simulated stand; no hardware is touched.")
@click.option("--scenario", default="air_filter", show_default=True, help="What the simulated stand plays.")
@click.option("--demo", is_flag=True, help="Run the demonstration on it.")
@click.option("--once", is_flag=True, help="End with the demonstration.")
@click.option("--state-dir", type=click.Path(path_type=Path), default=Path("var/demo"), show_default=True)
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change the simulated stand's file.")
@stand_option
def start(stand_path: str | None, as_json: bool, simulate: bool, **options: Any) -> None:
    """Start guard, recorder and API, and keep them running until Ctrl-C."""
    if simulate == bool(stand_path):
        raise click.UsageError("give either --simulate or --stand FILE")
    sys.exit(start_stand(stand_path, as_json=as_json, console=Console(stderr=as_json), **options))


@main_group.command()
@stand_option
def state(stand_path: str | None, as_json: bool) -> None:
    """Show the state, the first cause, and why a start is not allowed."""
    view = ask(find_stand_file(stand_path), Ask())
    show(view, as_json, lambda: state_table(view))


def _command(stand_path: str | None, as_json: bool, make: Callable[[GuardView], GuardRequest]) -> None:
    stand = find_stand_file(stand_path)
    view = ask(stand, make(ask(stand, Ask())))
    show(view, as_json, lambda: state_table(view))


@main_group.command()
@stand_option
def allow(stand_path: str | None, as_json: bool) -> None:
    """Allow a start. It lapses when nobody pulls the cord."""
    _command(stand_path, as_json, lambda view: Allow(who(), view.revision))


@main_group.command()
@stand_option
def stop(stand_path: str | None, as_json: bool) -> None:
    """Stop the engine. No emergency stop: the button on the stand is."""
    view = ask(find_stand_file(stand_path), Stop(who()))
    show(view, as_json, lambda: state_table(view))


@main_group.command()
@stand_option
def reset(stand_path: str | None, as_json: bool) -> None:
    """Leave the tripped state, once its cause is gone. Allows no start."""
    _command(stand_path, as_json, lambda view: Reset(who(), view.revision))


@main_group.command()
@click.argument("build")
@stand_option
def select(build: str, stand_path: str | None, as_json: bool) -> None:
    """Tell the stand which BUILD is on the brake; only while the engine is held."""
    stand = find_stand_file(stand_path)
    chosen = stand.build(build)
    if chosen is None:
        raise NotFound(f"no build {build} in the stand file; there are: {', '.join(b.name for b in stand.builds)}")
    view = ask(stand, Select(who(), ask(stand, Ask()).revision, chosen))
    show(view, as_json, lambda: state_table(view))


@main_group.command()
@click.option("--build", help="Only those of this build.")
@click.option("--limit", type=click.IntRange(1, 10_000), default=50, show_default=True)
@stand_option
def pulls(build: str | None, limit: int, stand_path: str | None, as_json: bool) -> None:
    """List the pulls, newest first."""
    with Reader(find_stand_file(stand_path).store) as store:
        found = store.pulls(limit, build)
    show(found, as_json, lambda: pulls_table(found))


@main_group.command()
@click.argument("pull", type=int)
@click.option("--out", is_flag=True, help="Leave it out instead.")
@click.option("--why", required=True, help="The reason; it is kept with the pull.")
@stand_option
def keep(pull: int, out: bool, why: str, stand_path: str | None, as_json: bool) -> None:
    """Count PULL, or leave it out with --out."""
    reply: RecorderReply = ask_recorder(find_stand_file(stand_path).recorder_sock, Keep(pull, not out, who(), why))
    if isinstance(reply, No):
        raise Refused(reply.reasons)
    show(reply, as_json, lambda: f"pull {pull} is {'left out' if out else 'kept'}: {escape(why)}")


@main_group.command()
@click.argument("a")
@click.argument("b")
@stand_option
def compare(a: str, b: str, stand_path: str | None, as_json: bool) -> None:
    """Compare the kept pulls of build B with those of build A."""
    from leverarm_daemon.analysis.compare import compare as judge  # numbers are loaded only when asked for

    with Reader(find_stand_file(stand_path).store) as store:
        groups = [[pull for pull in store.pulls(10_000, name) if pull.kept] for name in (a, b)]
    for name, group in zip((a, b), groups, strict=True):
        if not group:
            raise NotFound(f"no kept pulls of a build named {name}; `leverarm pulls` lists what there is")
    verdicts = [judge(groups[0], groups[1], quantity) for quantity in ("power_kw", "torque_nm")]
    show(verdicts, as_json, lambda: verdict_table(verdicts))


@main_group.command()
@click.option("--limit", type=click.IntRange(1, 10_000), default=20, show_default=True)
@stand_option
def trips(limit: int, stand_path: str | None, as_json: bool) -> None:
    """List the trips, newest first."""
    with Reader(find_stand_file(stand_path).store) as store:
        found = store.trips(limit)
    show(found, as_json, lambda: trips_table(found))


# --- for people ----------------------------------------------------------------------------------


def state_table(view: GuardView) -> Table:
    """Lay out the guard's view."""
    table = Table(show_header=False, box=None, padding=(0, 2, 0, 0))
    cause = None if view.first_cause is None else CAUSES.get(view.first_cause)
    speed = "-" if view.speed_rpm is None else f"{view.speed_rpm:,.0f} rpm"
    trip = "no build selected" if view.trip_rpm is None else f"{view.trip_rpm:,.0f} rpm"
    rows = [
        ("state", view.state + (" (simulated stand)" if view.simulated else "")),
        ("first cause", cause.words if cause else view.first_cause or "-"),
        ("what to do", cause.advice if cause else "-"),
        ("followed by", ", ".join(view.followed_by) or "-"),
        ("build", view.build or "-"),
        ("speed", f"{speed}   trips at {trip}, start cap {view.start_cap_rpm:,.0f} rpm"),
        ("start", "may be allowed" if not view.why_not else "not now"),
        *(("", f"because {reason}") for reason in view.why_not),
        *(("mind", CAUSES[notice].words if notice in CAUSES else notice) for notice in view.notices),
    ]
    for name, text in rows:
        table.add_row(name, escape(text))
    return table


def pulls_table(found: list[Pull]) -> Table:
    """Lay out pulls; what does not count is dim."""
    table = Table(title=None if found else "No pulls yet: make one, or look at another stand file.")
    for column in ("pull", "build", "when (UTC)", "peak torque", "peak power", "ended by", "counts"):
        table.add_column(column)
    for pull in found:
        table.add_row(
            str(pull.id), escape(pull.build), pull.started_utc[:19].replace("T", " "),
            f"{pull.peak_torque_nm.value:.2f} N·m at {pull.peak_torque_nm.speed_rpm:,.0f}",
            f"{pull.peak_power_kw.value:.3f} kW at {pull.peak_power_kw.speed_rpm:,.0f}",
            pull.ended_by, "yes" if pull.kept else f"no ({pull.kind if pull.kind == 'short' else 'left out'})",
            style=None if pull.kept else "dim",
        )
    return table


def verdict_table(verdicts: list[Comparison]) -> Table:
    """Lay out verdicts, the sentence first."""
    table = Table(show_header=False, box=None)
    for verdict in verdicts:
        table.add_row(escape(verdict.sentence))
        for warning in verdict.warnings:
            table.add_row(f"  mind: {escape(warning)}")
    return table


def trips_table(found: list[Trip]) -> Table:
    """Lay out trips."""
    table = Table(title=None if found else "No trips.")
    for column in ("trip", "when (UTC)", "first cause", "followed by", "at", "limit", "peak", "over by"):
        table.add_column(column)
    for trip in found:
        speeds = (trip.edge_rpm, trip.limit_rpm, trip.peak_rpm, trip.overshoot_rpm)
        table.add_row(
            str(trip.id), trip.utc[:19].replace("T", " "), trip.first_cause, ", ".join(trip.followed_by) or "-",
            *("-" if speed is None else f"{speed:,.0f} rpm" for speed in speeds),
        )
    return table


def main() -> None:
    """Run the command line; errors are one line that tells what to do."""
    try:
        main_group()
    except PeerGone as error:
        click.echo(f"leverarm: not running? {error}. Start it with ./deploy/start or `leverarm start`", err=True)
        sys.exit(NOT_RUNNING)
    except Refused as refused:
        click.echo("leverarm: not done, because\n" + "\n".join(f"  - {reason}" for reason in refused.reasons), err=True)
        sys.exit(REFUSED)
    except LeverarmError as error:
        click.echo(f"leverarm: {error}", err=True)
        sys.exit(UNUSABLE)
