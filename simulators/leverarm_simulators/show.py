"""The demonstration's result as tables on a terminal."""

from rich.console import Console
from rich.table import Table

from leverarm_daemon.records import Comparison, Group, Spread, Trip
from leverarm_simulators.result import Result

NAMES = {"power_kw": ("peak power", "kW"), "torque_nm": ("peak torque", "N·m")}


def show(console: Console, result: Result) -> None:
    """Print groups, differences with their verdicts, the trip, and whatever failed."""
    console.print()
    if result.groups:
        console.print(_groups(result.groups))
    for comparison in result.comparisons:
        _comparison(console, comparison)
    console.print(f"The simulator's own truth: {result.true_difference_pct:+.2f} %. Everything here is simulated.")
    if result.trip is not None:
        console.print(_trip(result.trip))
    for failure in result.failures:
        console.print(f"[bold red]FAILED[/] {failure}")
    if not result.failures:
        console.print(f"[bold green]As it should be[/] after {result.seconds:.0f} s.")


def _groups(groups: tuple[Group, ...]) -> Table:
    table = Table(title="Both groups, corrected to SAE J1349 (simulated)")
    for heading in ("build", "what", "n", "mean", "sd", "95 % interval of the mean"):
        table.add_column(heading, justify="left" if heading in ("build", "what") else "right")
    for group in groups:
        for quantity, spread in (("power_kw", group.power_kw), ("torque_nm", group.torque_nm)):
            table.add_row(group.build, *_spread(quantity, spread))
    return table


def _spread(quantity: str, spread: Spread) -> tuple[str, ...]:
    what, unit = NAMES[quantity]
    sd = "" if spread.sd is None else f"{spread.sd:.3f}"
    interval = "" if spread.low is None else f"{spread.low:.3f} to {spread.high:.3f} {unit}"
    return what, str(spread.n), f"{spread.mean:.3f} {unit}", sd, interval


def _comparison(console: Console, c: Comparison) -> None:
    what, unit = NAMES[c.quantity]
    console.print(
        f"{what}: {c.b} minus {c.a} = {c.difference:+.3f} {unit} ({c.low:+.3f} to {c.high:+.3f}), "
        f"{c.difference_pct:+.2f} % ({c.low_pct:+.2f} to {c.high_pct:+.2f} %): [bold]{c.verdict}[/]",
        soft_wrap=True,
    )
    console.print(f"  {c.sentence}", soft_wrap=True)


def _trip(trip: Trip) -> str:
    """Say in one line what happened when the brake let go."""
    numbers = [
        f"{name} {value:.0f} rpm"
        for name, value in (
            ("limit", trip.limit_rpm), ("speed at the edge", trip.edge_rpm),
            ("peak", trip.peak_rpm), ("overshoot", trip.overshoot_rpm),
        )
        if value is not None
    ]
    return f"The brake let go: first cause [bold]{trip.first_cause}[/], {', '.join(numbers)}."
