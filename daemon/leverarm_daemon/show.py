"""How the command line shows things to people: records in, tables and sentences for a terminal out."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final, Literal

from rich.console import Group as Lines
from rich.console import RenderableType
from rich.markup import escape
from rich.table import Table

from leverarm_daemon.causes import CAUSES
from leverarm_daemon.records import Comparison, Group, GuardView, Live, Pull, Quality, Spread, Trip, Value
from leverarm_daemon.states import State, input_words
from leverarm_daemon.units import SI, Shown

STATE_STYLES: Final = {"held": "bold", "start-allowed": "bold yellow", "running": "bold green", "tripped": "bold red"}
OLD_MS: Final = 500
QUANTITIES: Final = {"power_kw": "peak power", "torque_nm": "peak torque"}

Units = Mapping[str, Shown]


def state_lines(view: GuardView, live: Sequence[tuple[str, str]] = ()) -> RenderableType:
    """Lay out the guard's view: what is, what was first, what to do, what speaks against a start; live values."""
    table = Table(show_header=False, box=None, padding=(0, 2, 0, 0))
    table.add_column(style="dim", no_wrap=True)
    style = STATE_STYLES.get(view.state, "bold yellow")
    table.add_row("state", f"[{style}]{escape(view.state)}[/]" + ("   (simulated stand)" if view.simulated else ""))
    for name, words in (*_cause_rows(view), *_machine_rows(view), *_start_rows(view), *live):
        table.add_row(name, escape(words))
    return table


def _cause_rows(view: GuardView) -> list[tuple[str, str]]:
    if view.first_cause is None:
        return []
    cause = CAUSES.get(view.first_cause)
    rows = [("first cause", f"{cause.words} ({cause.id})" if cause else view.first_cause)]
    if view.followed_by:
        rows.append(("followed by", ", ".join(map(_cause_words, view.followed_by))))
    return [*rows, ("what to do", cause.advice)] if cause else rows


def _machine_rows(view: GuardView) -> list[tuple[str, str]]:
    trips = "no trip speed yet" if view.trip_rpm is None else f"trips at {_rpm(view.trip_rpm)}"
    speed = "no speed (still, or below 60 rpm)" if view.speed_rpm is None else _rpm(view.speed_rpm)
    if view.link != "up":
        speed = "not known"
    return [
        ("build", view.build or "none selected"),
        ("speed", f"{speed}   ({trips}; at a start at most {_rpm(view.start_cap_rpm)})"),
        ("inputs", ", ".join(input_words(view.inputs)) or "not known"),
    ]


def _start_rows(view: GuardView) -> list[tuple[str, str]]:
    rows = [("", f"and: {reason}") for reason in view.why_not[1:]]
    if view.state == State.TRIPPED and view.link != "up":
        rows.append(("", "and then: a reset will be needed too"))
    if view.state == State.START_ALLOWED:
        rows = [("start", "allowed: pull the cord")]
    elif view.why_not:
        rows.insert(0, ("start", f"not now: {view.why_not[0]}"))
    else:
        rows = [("start", "may be allowed: leverarm allow")]
    notices = [CAUSES[notice] for notice in view.notices if notice in CAUSES]
    return [*rows, *(("mind", f"{notice.words}. {notice.advice}") for notice in notices)]


LIVE: Final = {
    "speed_rpm": ("speed", 0), "force_n": ("force", 1), "torque_nm": ("torque", 2), "power_kw": ("power", 3),
    "torque_corrected_nm": ("torque, corrected", 2), "power_corrected_kw": ("power, corrected", 3),
    "head_c": ("head", 0), "drum_c": ("drum", 0), "load_counts": ("load cell, raw", 0),
}
"""The live values that a terminal shows: what people call them, and their decimals."""
ONLY_TURNING: Final = ("power_kw", "torque_corrected_nm", "power_corrected_kw")
"""Those that say nothing while the crank stands still."""


def live_rows(live: Live | None, units: Units) -> list[tuple[str, str]]:
    """Lay out what the recorder shows at this moment; None: it does not answer."""
    if live is None:
        return [("live", "no values: the recorder does not answer (the engine is guarded all the same)")]
    old = f"   (the newest line of the stand is {live.age_ms / 1000:.1f} s old)" if live.age_ms > OLD_MS else ""
    still = "speed_rpm" in live.values and live.values["speed_rpm"].value == 0
    rows = [
        (words, _live_words(live.values[name], units.get(name.replace("_corrected", "")), digits))
        for name, (words, digits) in LIVE.items() if name in live.values and not (still and name in ONLY_TURNING)
    ]
    return [("live", f"as the recorder shows it{old}"), *((f"  {what}", words) for what, words in rows)]


def _live_words(value: Value, shown: Shown | None, digits: int) -> str:
    """Tell a value with its quality where that is not good, and why."""
    number, unit = value.value, value.unit
    if number is None:
        return f"-   ({value.reason or value.quality})"
    if shown is not None:
        number, unit = shown.of(number), shown.unit
    doubt = "" if value.quality is Quality.GOOD else f"{value.quality}: "
    reason = f"   ({doubt}{value.reason})" if doubt or value.reason else ""
    return f"{number:,.{digits}f} {unit}{reason}"


def _cause_words(cause_id: str) -> str:
    return CAUSES[cause_id].words if cause_id in CAUSES else cause_id


def _rpm(value: float | None) -> str:
    return "-" if value is None else f"{value:,.0f} rpm"


# --- pulls and trips -----------------------------------------------------------------------------


def pulls_table(found: Sequence[Pull], units: Units = SI) -> RenderableType:
    """Lay out pulls; grey ones do not count."""
    if not found:
        return "No pulls yet."
    nm, kw = units["torque_nm"], units["power_kw"]
    peaks = (f"torque\n{nm.unit}:", "at\nrpm:", f"power\n{kw.unit}:", "at\nrpm:")
    table = _table("pull:", "build", "when", *peaks, "ended by", "counts")
    for pull in found:
        torque, power = pull.peak_torque_nm, pull.peak_power_kw
        table.add_row(
            str(pull.id), escape(pull.build), _when(pull.started_utc),
            f"{nm.of(torque.value):.2f}", f"{torque.speed_rpm:,.0f}",
            f"{kw.of(power.value):.3f}", f"{power.speed_rpm:,.0f}",
            pull.ended_by, _counts(pull), style=None if pull.kept else "bright_black",
        )
    corrections = ", ".join(sorted({pull.correction for pull in found}))
    remarks = (*_doubts(found), *_reasons(found), *_simulated(found), *_hint(found))
    return Lines(table, f"Peaks, corrected: {corrections}.", *remarks)


def _counts(pull: Pull) -> str:
    if pull.kept:
        return "yes"
    return "short" if pull.kind == "short" else "left out"


def _doubts(found: Sequence[Pull]) -> list[str]:
    doubtful = [pull for pull in found if pull.quality is not Quality.GOOD]
    return [f"[yellow]mind: pull {pull.id} is {pull.quality}: {escape(pull.reason)}[/]" for pull in doubtful]


def _reasons(found: Sequence[Pull]) -> list[str]:
    """Tell why a person counted a pull, or left it out."""
    return [
        f"Pull {pull.id} {'counts' if pull.kept else 'is left out'}: {escape(pull.kept_why)}"
        for pull in found if pull.kept_why
    ]


def _simulated(found: Sequence[Pull] | Sequence[Trip]) -> list[str]:
    """Say which are simulated, in few words when all are."""
    simulated = [str(record.id) for record in found if record.simulated]
    if len(simulated) == len(found):
        return ["All simulated: no real engine."]
    return [f"[yellow]mind: simulated, no real engine: {', '.join(simulated)}[/]"] if simulated else []


def _hint(found: Sequence[Pull]) -> list[str]:
    short = next((pull for pull in found if not pull.kept and pull.kind == "short"), None)
    return [] if short is None else [f'A short one counts once you keep it: leverarm keep {short.id} --why "..."']


def trips_table(found: Sequence[Trip]) -> RenderableType:
    """Lay out trips."""
    if not found:
        return "No trips."
    speeds_of = ("at\nrpm:", "limit\nrpm:", "peak\nrpm:", "over by\nrpm:")
    table = _table("trip:", "when", "first cause", "followed by", *speeds_of)
    for trip in found:
        speeds = (trip.edge_rpm, trip.limit_rpm, trip.peak_rpm, trip.overshoot_rpm)
        table.add_row(
            str(trip.id), _when(trip.utc), trip.first_cause, ", ".join(trip.followed_by) or "-",
            *("-" if speed is None else f"{speed:,.0f}" for speed in speeds),
        )
    seen = dict.fromkeys(cause for trip in found for cause in (trip.first_cause, *trip.followed_by))
    return Lines(table, *(f"{cause}: {CAUSES[cause].words}." for cause in seen if cause in CAUSES), *_simulated(found))


def _when(utc: str) -> str:
    """Give a time by the clock on the wall."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return utc


def _table(*headings: str) -> Table:
    """Make a table; a heading that ends with a colon has numbers under it."""
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for heading in headings:
        number = heading.endswith(":")
        justify: Literal["right", "left"] = "right" if number else "left"
        table.add_column(heading.removesuffix(":"), justify=justify, no_wrap=number or heading == "when")
    return table


# --- comparison ----------------------------------------------------------------------------------


def verdict_lines(groups: Sequence[Group], comparisons: Sequence[Comparison], units: Units = SI) -> RenderableType:
    """Lay out a comparison: the sentences, the numbers behind them, and what to mind."""
    sentences = [f"[bold]{escape(comparison.sentence)}[/]" for comparison in comparisons]
    warnings = dict.fromkeys(warning for comparison in comparisons for warning in comparison.warnings)
    return Lines(
        *sentences, "", _groups_table(groups, units), "", _differences_table(comparisons, units),
        *(f"[yellow]mind: {escape(warning)}[/]" for warning in warnings),
    )


def _groups_table(groups: Sequence[Group], units: Units) -> Table:
    table = _table("build", "what", "n:", "mean:", "sd:", "95 % interval of the mean:")
    for quantity, what in QUANTITIES.items():
        for group in groups:
            spread: Spread = getattr(group, quantity)
            table.add_row(escape(group.build), what, str(spread.n), *_spread_cells(units[quantity], spread))
    return table


def _spread_cells(shown: Shown, spread: Spread) -> tuple[str, ...]:
    sd = "-" if spread.sd is None else f"{shown.of(spread.sd):.3f}"
    interval = "-"
    if spread.low is not None and spread.high is not None:
        interval = f"{shown.of(spread.low):.3f} to {shown.of(spread.high):.3f} {shown.unit}"
    return f"{shown.of(spread.mean):.3f} {shown.unit}", sd, interval


def _differences_table(comparisons: Sequence[Comparison], units: Units) -> Table:
    """Lay out what the sentences round: B minus A, each with its interval."""
    names = dict.fromkeys(f"{escape(one.b)} minus {escape(one.a)}" for one in comparisons)
    table = _table(", ".join(names), "", "difference:", "95 % interval:", "verdict")
    for one in comparisons:
        shown = units[one.quantity]
        value, low, high = (shown.of(number) for number in (one.difference, one.low, one.high))
        table.add_row(
            QUANTITIES[one.quantity], shown.unit, f"{value:+.3f}", f"{low:+.3f} to {high:+.3f}", one.verdict
        )
        table.add_row("", "%", f"{one.difference_pct:+.2f}", f"{one.low_pct:+.2f} to {one.high_pct:+.2f}", "")
    return table
