"""The guard's own rules about the engine: a frame in, what is now known and the causes found out.

Rules use the device clock only; only the silence of the link is judged by the host's clock (see step.py).
A rule is a function `(setup, chosen, engine, frame) -> (engine, causes)`.
"""

from typing import Final

from msgspec.structs import replace

from leverarm_daemon.guard.state import Chosen, Engine, Setup
from leverarm_daemon.records import Edge, Frame, Load, Temps
from leverarm_daemon.units import interval_us_from_rpm, rpm_from_interval_us

NEAR_SHARE: Final = 0.95
NEAR_US: Final = 300_000
LOAD_HIGH_US: Final = 100_000
LOAD_LOST_US: Final = 300_000
LOAD_LOST_PERIODS: Final = 3
HOT_US: Final = 1_000_000
WARM_US: Final = 2_000_000
FAULTS_IN_A_ROW: Final = 3
STILL_US: Final = 1_000_000
HEAD_LOST_US: Final = 2_000_000
SLOW_RPM: Final = 1000.0
"""Above this an engine may run by itself."""

Found = tuple[str, ...]


def _since(holds: bool, since_us: int | None, now_us: int) -> int | None:
    """Give the time since when a condition has held."""
    if not holds:
        return None
    return now_us if since_us is None else since_us


def _lasted(since_us: int | None, now_us: int, needed_us: int) -> bool:
    return since_us is not None and now_us - since_us >= needed_us


def edge(setup: Setup, chosen: Chosen | None, engine: Engine, frame: Edge) -> tuple[Engine, Found]:
    """Watch the speed: a second opinion on overspeed, from the edges that count."""
    now_us, before_us = frame.device_us, engine.interval_us
    interval_us = None if engine.edge_us is None else now_us - engine.edge_us
    if interval_us is None or interval_us <= 0 or interval_us > STILL_US:
        return replace(engine, edge_us=now_us, interval_us=None, speed_rpm=None, near_since_us=None, odd=False), ()
    ppr = setup.stand.pickup.pulses_per_rev
    slow_us = interval_us_from_rpm(SLOW_RPM, ppr)
    if not engine.odd and before_us is not None and _is_odd(interval_us, before_us, slow_us):
        # noise is set aside, so that the next interval runs from the edge before it; a missed edge starts it anew
        return replace(engine, odd=True, edge_us=now_us if interval_us > before_us else engine.edge_us), ()
    speed_rpm = rpm_from_interval_us(interval_us, ppr)
    near_since_us = _since(
        chosen is not None and speed_rpm > NEAR_SHARE * chosen.trip_rpm, engine.near_since_us, now_us
    )
    over = chosen is not None and before_us is not None and interval_us < dict(chosen.values)["trip_us"]
    engine = replace(
        engine, edge_us=now_us, interval_us=interval_us, speed_rpm=speed_rpm, near_since_us=near_since_us, odd=False
    )
    return engine, (("overspeed",) if over else ())


def _is_odd(interval_us: int, before_us: int, slow_us: int) -> bool:
    """Tell whether no flywheel can change its speed so much in one interval; the front end has the same rule.

    One such interval is set aside, a second in a row is believed. Below running speed every change is possible.
    """
    return before_us < slow_us and not (0.75 * before_us <= interval_us <= 1.5 * before_us or interval_us >= slow_us)


def load(setup: Setup, chosen: Chosen | None, engine: Engine, frame: Load) -> tuple[Engine, Found]:
    """Watch the load cell's counts against 110 % of its rating, either way."""
    good = [count for count in frame.counts if count is not None]
    if not good:
        return engine, ()
    now_us = frame.device_us + frame.step_us * (len(frame.counts) - 1)
    over = not all(setup.load_low_counts <= count <= setup.load_high_counts for count in good)
    since_us = _since(over, engine.load_high_since_us, frame.device_us)
    found: Found = ("load-over",) if _lasted(since_us, now_us, LOAD_HIGH_US) else ()
    return replace(engine, load_us=now_us, load_high_since_us=since_us), found


def load_lost(engine: Engine, load_hz: float, now_us: int) -> bool:
    """Tell whether the load cell has given no valid count for too long."""
    if load_hz <= 0:
        return False
    longest_us = max(LOAD_LOST_US, LOAD_LOST_PERIODS * 1e6 / load_hz)
    return engine.load_us is None or now_us - engine.load_us > longest_us


def temps(setup: Setup, chosen: Chosen | None, engine: Engine, frame: Temps) -> tuple[Engine, Found]:
    """Watch head and drum."""
    readings = dict(frame.readings)
    engine, found = _head(setup, engine, readings.get("head"), frame.device_us)
    drum = readings.get("drum")
    hot = isinstance(drum, float) and drum >= setup.stand.limits.drum_trip_c
    engine = replace(engine, drum_hot_since_us=_since(hot, engine.drum_hot_since_us, frame.device_us))
    return engine, (*found, *(("drum-hot",) if _lasted(engine.drum_hot_since_us, frame.device_us, HOT_US) else ()))


def head_lost(setup: Setup, engine: Engine, now_us: int) -> bool:
    """Tell whether a head limit is set, but its thermometer has told nothing for too long."""
    if setup.stand.limits.head_trip_c is None:
        return False
    return engine.head_us is None or now_us - engine.head_us > HEAD_LOST_US


def _head(setup: Setup, engine: Engine, head: float | str | None, now_us: int) -> tuple[Engine, Found]:
    limits = setup.stand.limits
    if limits.head_trip_c is None or head is None:
        return engine, ()
    if isinstance(head, str):
        faults = engine.head_faults + 1
        found: Found = ("head-probe",) if faults >= FAULTS_IN_A_ROW else ()
        return replace(engine, head_faults=faults, head_us=now_us), found
    hot_us = _since(head >= limits.head_trip_c, engine.head_hot_since_us, now_us)
    warm = limits.head_warn_c is not None and head >= limits.head_warn_c
    warm_us = _since(warm, engine.head_warm_since_us, now_us)
    found = ("head-hot",) if _lasted(hot_us, now_us, HOT_US) else ()
    return replace(engine, head_faults=0, head_us=now_us, head_hot_since_us=hot_us, head_warm_since_us=warm_us), found


def standing(setup: Setup, engine: Engine, load_hz: float, now_us: int) -> Found:
    """Give the causes that hold at this moment, whether or not they may trip in the present state."""
    holds = {
        "head-hot": engine.head_hot_since_us is not None,
        "drum-hot": engine.drum_hot_since_us is not None,
        "head-probe": engine.head_faults >= FAULTS_IN_A_ROW or head_lost(setup, engine, now_us),
        "load-over": engine.load_high_since_us is not None,
        "load-lost": load_lost(engine, load_hz, now_us),
    }
    return tuple(cause for cause, here in holds.items() if here)


def notices(engine: Engine, now_us: int) -> Found:
    """Give what a person should know although nothing stops for it."""
    holds = {
        "speed-near-limit": _lasted(engine.near_since_us, now_us, NEAR_US),
        "head-warm": _lasted(engine.head_warm_since_us, now_us, WARM_US),
    }
    return tuple(notice for notice, here in holds.items() if here)


def apply(setup: Setup, chosen: Chosen | None, engine: Engine, frame: Frame) -> tuple[Engine, Found]:
    """Apply the rule that this kind of frame calls for."""
    match frame:
        case Edge():
            return edge(setup, chosen, engine, frame)
        case Load():
            return load(setup, chosen, engine, frame)
        case Temps():
            return temps(setup, chosen, engine, frame)
        case _:
            return engine, ()
