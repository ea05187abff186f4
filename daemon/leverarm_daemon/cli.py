"""The command line `leverarm`: starts the stand's processes, and asks them. Every command takes --json."""

import getpass
import os
import re
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import click
import msgspec
from click.core import ParameterSource
from rich.console import Console, RenderableType

from leverarm_daemon import show
from leverarm_daemon.asking import ask, ask_to_keep, live_picture
from leverarm_daemon.config import StandFile, load_stand_file
from leverarm_daemon.errors import LeverarmError, NotFound, PeerGone, Refused, RefuseToStart, StoreError
from leverarm_daemon.ipc.messages import Allow, Ask, GuardRequest, Keep, Reset, Select, Stop
from leverarm_daemon.records import Build, Comparison, Group, GuardView, Pull, Record, Value
from leverarm_daemon.run import Wish, start_stand
from leverarm_daemon.states import IGNITION_LIVE
from leverarm_daemon.store.reader import Reader
from leverarm_daemon.units import SI, TRADE

STAND_FILES: Final = ("var/demo/stand.toml", "/etc/leverarm/stand.toml")
REFUSED, UNUSABLE, NOT_RUNNING = 1, 2, 3
MOST: Final = 10_000
STOPS_WITHIN_S: Final = 1.0
"""How long the stand may take to say that the ignition is grounded."""
WIDTH: Final = 160
"""Columns where there is no terminal."""
PADDING: Final = re.compile(r" +((?:\x1b\[[0-9;]*m)*)$", re.MULTILINE)

HELP: Final = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


class Trouble(Record):
    """What --json prints on standard error instead of words."""

    error: str
    reasons: tuple[str, ...]
    exit_code: int


class Told(GuardView):
    """What `state --json` prints: the guard's view, and the live values; none when the recorder does not answer."""

    values: dict[str, Value] = {}


class Verdict(Record):
    """What `compare --json` prints."""

    groups: tuple[Group, ...]
    comparisons: tuple[Comparison, ...]


class Kept(Record):
    """What `keep --json` prints."""

    pull: int
    kept: bool
    why: str


def find_stand_file(given: str | None) -> StandFile:
    """Load the stand file that was named, or the first that is there; raises RefuseToStart."""
    for name in (given,) if given else STAND_FILES:
        if given or Path(name).exists():
            return load_stand_file(Path(name))
    raise RefuseToStart(
        f"no stand file: neither {' here nor '.join(STAND_FILES)} is there. "
        "Name one with --stand FILE, or start the simulated stand: leverarm start --simulate"
    )


def who() -> str:
    """Give the name that is kept with what a person asks."""
    try:
        return f"{getpass.getuser()} at the terminal"
    except (OSError, KeyError):             # a user without a name
        return f"user {os.getuid()} at the terminal"


def answer(value: object, as_json: bool, layout: Callable[[], RenderableType]) -> None:
    """Print a value for machines or for people."""
    if as_json:
        click.echo(msgspec.json.encode(value))
    else:
        console = Console(width=None if sys.stdout.isatty() else WIDTH, highlight=False)
        with console.capture() as captured:
            console.print(layout())
        click.echo(PADDING.sub(r"\1", captured.get()), nl=False)


@contextmanager
def opened_store(stand: StandFile) -> Iterator[Reader]:
    """Open the store for reading; raises StoreError."""
    try:
        with Reader(stand.store) as store:
            yield store
    except (sqlite3.Error, OSError) as error:
        raise StoreError(f"{stand.store}: cannot be read ({error}). Look at its rights, and at the disk") from error


def stand_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what every command takes."""
    command = click.option("--json", "as_json", is_flag=True, help="Print one JSON value, for machines.")(command)
    return click.option(
        "--stand", "stand_path", envvar="LEVERARM_STAND", metavar="FILE",
        help="The stand file; or set LEVERARM_STAND. Without it the first that is there: "
        f"{', '.join(STAND_FILES)}.",
    )(command)


@click.group(context_settings=HELP)
@click.version_option(package_name="leverarm")
def main_group() -> None:
    """Measure a small engine on a friction brake, and have it stopped before it hurts anyone.

    A stop from here goes through a computer: it is no emergency stop. The button on the stand is.

    Exit codes: 0 done; 1 refused; 2 not usable: a wrong stand file, word or number, or something that does not
    exist; 3 not running. Errors go to standard error; with --json the last line there is an object with
    "error", "reasons" and "exit_code".
    """


trade_units = click.option("--hp", is_flag=True, help="Show hp and lb·ft; the numbers of --json stay kW and N·m.")

WHICH_STAND: Final = (
    "say which stand to start: `leverarm start --simulate` for the simulated one (nothing turns), "
    "or `leverarm start --stand FILE` for a real one"
)
ONLY_SIMULATED: Final = ("scenario", "demo", "once", "state_dir", "settings")


@main_group.command()
@click.option("--simulate", is_flag=True, help="Use the simulated stand; no hardware is touched.")
@click.option("--scenario", default="air_filter", show_default=True, help="What the simulated stand plays.")
@click.option("--set", "settings", multiple=True, metavar="A.B=VALUE", help="Change the scenario or its stand file.")
@click.option("--state-dir", type=click.Path(path_type=Path), default=Path("var/demo"), show_default=True,
              help="Where the simulated stand keeps its things.")
@click.option("--demo", is_flag=True, help="Run the demonstration on the simulated stand.")
@click.option("--once", is_flag=True, help="End with the demonstration, and with its exit code.")
@stand_option
@click.pass_context
def start(context: click.Context, /, stand_path: str | None, simulate: bool, **options: Any) -> int:
    """Start guard, recorder and API, until Ctrl-C, which stops the engine too.

    With --json it prints address, token (when new), stand file and folder of logs, once all runs; with --demo
    the result of the demonstration instead.
    """
    if context.get_parameter_source("stand_path") is ParameterSource.ENVIRONMENT and simulate:
        stand_path = None
    if simulate and stand_path:
        raise click.UsageError("give either --simulate or --stand FILE, not both")
    if not simulate and not stand_path:
        raise click.UsageError(WHICH_STAND)
    _check_options(context, simulate)
    return start_stand(Wish(stand_file=None if simulate else Path(str(stand_path)).absolute(), **options))


def _check_options(context: click.Context, simulate: bool) -> None:
    given = [name for name in ONLY_SIMULATED if context.get_parameter_source(name) is not ParameterSource.DEFAULT]
    if given and not simulate:
        raise click.UsageError("the demonstration and its options belong to --simulate: it works the throttle itself")
    if "once" in given and "demo" not in given:
        raise click.UsageError("--once goes with --demo")


@main_group.command()
@trade_units
@stand_option
def state(hp: bool, stand_path: str | None, as_json: bool) -> None:
    """Show the state, the first cause, why not to start, and the live values."""
    stand = find_stand_file(stand_path)
    view, live = ask(stand, Ask()), live_picture(stand)
    told = Told(**msgspec.structs.asdict(view), values=live.values if live else {})
    answer(told, as_json, lambda: show.state_lines(view, show.live_rows(live, TRADE if hp else SI)))


def _command(stand_path: str | None, as_json: bool, make: Callable[[StandFile, GuardView], GuardRequest]) -> None:
    """Ask for something that the guard weighs against the state it has now."""
    stand = find_stand_file(stand_path)
    view = ask(stand, make(stand, ask(stand, Ask())))
    answer(view, as_json, lambda: show.state_lines(view))


@main_group.command()
@stand_option
def allow(stand_path: str | None, as_json: bool) -> None:
    """Allow a start. It lapses when nobody pulls the cord."""
    _command(stand_path, as_json, lambda _, view: Allow(who(), view.revision))


@main_group.command()
@stand_option
def stop(stand_path: str | None, as_json: bool) -> None:
    """Stop the engine. No emergency stop: the button on the stand is."""
    stand = find_stand_file(stand_path)
    try:
        view = ask(stand, Stop(who()))
        until_s = time.monotonic() + STOPS_WITHIN_S
        while view.state in IGNITION_LIVE and time.monotonic() < until_s:
            time.sleep(0.05)
            view = ask(stand, Ask())
    except PeerGone as error:
        raise PeerGone(f"NOT STOPPED from here, press the button on the stand: {error}") from None
    if view.state in IGNITION_LIVE:
        raise Refused((f"the stand still says {view.state!r}: press the button on the stand",))
    answer(view, as_json, lambda: show.state_lines(view))


@main_group.command()
@stand_option
def reset(stand_path: str | None, as_json: bool) -> None:
    """Leave the tripped state, once its cause is gone. Allows no start."""
    _command(stand_path, as_json, lambda _, view: Reset(who(), view.revision))


@main_group.command()
@click.argument("build")
@stand_option
def select(build: str, stand_path: str | None, as_json: bool) -> None:
    """Tell which BUILD is on the brake; only while held."""
    _command(stand_path, as_json, lambda stand, view: Select(who(), view.revision, _build(stand, build)))


def _build(stand: StandFile, name: str) -> Build:
    chosen = stand.build(name)
    if chosen is None:
        known = ", ".join(build.name for build in stand.builds) or "none"
        raise NotFound(f"no build {name!r} in the stand file; there are: {known}")
    return chosen


@main_group.command()
@click.option("--build", help="Only those of this build.")
@click.option("--limit", type=click.IntRange(1, MOST), default=50, show_default=True)
@trade_units
@stand_option
def pulls(build: str | None, limit: int, hp: bool, stand_path: str | None, as_json: bool) -> None:
    """List the pulls, newest first. Grey ones do not count."""
    stand = find_stand_file(stand_path)
    with opened_store(stand) as store:
        found = store.pulls(limit, build)
        if build and not found and stand.build(build) is None:
            raise _no_pulls(store, build)
    answer(found, as_json, lambda: show.pulls_table(found, TRADE if hp else SI))


def _no_pulls(store: Reader, build: str) -> NotFound:
    known = ", ".join(store.builds())
    return NotFound(f"no pulls of a build {build!r}; there are {f'pulls of: {known}' if known else 'none at all yet'}")


@main_group.command()
@click.argument("pull", type=int)
@click.option("--out", is_flag=True, help="Leave it out instead.")
@click.option("--why", required=True, metavar="WORDS", help="The reason; it is kept with the pull.")
@stand_option
def keep(pull: int, out: bool, why: str, stand_path: str | None, as_json: bool) -> None:
    """Count PULL, or leave it out with --out."""
    stand = find_stand_file(stand_path)
    with opened_store(stand) as store:
        _check_pull(store, pull)
    ask_to_keep(stand, Keep(pull, not out, who(), why))
    answer(Kept(pull, not out, why), as_json, lambda: f"Pull {pull} {'is left out' if out else 'counts'} now.")


def _check_pull(store: Reader, pull: int) -> None:
    try:
        store.pull(pull)
    except NotFound as error:
        raise NotFound(f"{error}; `leverarm pulls` lists them") from None


@main_group.command()
@click.argument("a")
@click.argument("b")
@trade_units
@stand_option
def compare(a: str, b: str, hp: bool, stand_path: str | None, as_json: bool) -> None:
    """Say whether build B differs from build A.

    Only pulls that count are compared, so leave out first what went wrong.
    """
    from leverarm_daemon.analysis import compare as judge  # numbers are loaded only when asked for

    if a == b:
        raise click.UsageError("A and B name the same build")
    with opened_store(find_stand_file(stand_path)) as store:
        kept = [_kept(store, name) for name in (a, b)]
    groups = tuple(judge.group(name, pulls) for name, pulls in zip((a, b), kept, strict=True))
    units = TRADE if hp else SI
    comparisons = tuple(judge.compare(kept[0], kept[1], quantity, units) for quantity in show.QUANTITIES)
    answer(Verdict(groups, comparisons), as_json, lambda: show.verdict_lines(groups, comparisons, units))


def _kept(store: Reader, build: str) -> list[Pull]:
    if not store.pulls(1, build):
        raise _no_pulls(store, build)
    return store.kept(build)


@main_group.command()
@click.option("--limit", type=click.IntRange(1, MOST), default=20, show_default=True)
@stand_option
def trips(limit: int, stand_path: str | None, as_json: bool) -> None:
    """List the trips, newest first."""
    with opened_store(find_stand_file(stand_path)) as store:
        found = store.trips(limit)
    answer(found, as_json, lambda: show.trips_table(found))


# --- errors --------------------------------------------------------------------------------------


def trouble_of(error: Exception) -> Trouble:
    """Put an error into words, and give it its exit code."""
    match error:
        case PeerGone():
            return Trouble(str(error), (), NOT_RUNNING)
        case Refused():
            return Trouble("not done", error.reasons, REFUSED)
        case click.UsageError():
            command = error.ctx.command_path if error.ctx else "leverarm"
            return Trouble(f"{error.format_message().rstrip('.')}. Try: {command} -h", (), UNUSABLE)
        case click.ClickException():
            return Trouble(error.format_message(), (), UNUSABLE)
    return Trouble(str(error), (), UNUSABLE)


def complain(trouble: Trouble, as_json: bool) -> None:
    """Print what went wrong on standard error."""
    if as_json:
        click.echo(msgspec.json.encode(trouble), err=True)
        return
    because = "".join(f"\n  - {reason}" for reason in trouble.reasons)
    click.echo(f"leverarm: {trouble.error}{', because' if because else ''}{because}", err=True)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; gives the exit code."""
    arguments = sys.argv[1:] if arguments is None else arguments
    try:
        code: int | None = main_group.main(arguments or ["--help"], "leverarm", standalone_mode=False)
    except (click.ClickException, LeverarmError) as error:
        trouble = trouble_of(error)
        complain(trouble, "--json" in arguments)
        return trouble.exit_code
    return code or 0


if __name__ == "__main__":
    sys.exit(main())
