"""The demonstration's result on a terminal: verdicts in words, the numbers behind them, the trip."""

from typing import Final

from rich.console import Console
from rich.table import Table

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.records import Trip
from leverarm_daemon.show import verdict_lines
from leverarm_simulators.result import Result

TRIP_SPEEDS: Final = {
    "limit": "limit_rpm", "speed at the edge": "edge_rpm", "peak": "peak_rpm", "overshoot": "overshoot_rpm",
}


def show(console: Console, result: Result) -> None:
    """Print groups, differences with their verdicts, the trip, and whatever failed."""
    console.print()
    if result.comparisons:
        console.print(verdict_lines(result.groups, result.comparisons))
    console.print(f"The simulator's own truth: {result.true_difference_pct:+.2f} %. Everything here is simulated.")
    if result.trip is not None:
        console.print("\n[bold]Then the brake let go at full throttle:[/]", _trip(result.trip), sep="\n")
    console.print()
    for failure in result.failures:
        console.print(f"[bold red]FAILED[/] {failure}")
    if not result.failures:
        console.print(f"[bold green]As it should be[/] after {result.seconds:.0f} s.")


def _trip(trip: Trip) -> Table:
    table = Table(show_header=False, box=None, padding=(0, 2, 0, 0))
    cause = CAUSES.get(trip.first_cause)
    table.add_row("first cause", f"{cause.words} ({cause.id})" if cause else trip.first_cause)
    for words, field in TRIP_SPEEDS.items():
        speed_rpm: float | None = getattr(trip, field)
        table.add_row(words, "not known" if speed_rpm is None else f"{speed_rpm:,.0f} rpm")
    return table
