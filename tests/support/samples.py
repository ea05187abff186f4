"""Records that tests of the store, the recorder and the publishers start from."""

from typing import Any

import msgspec

from leverarm_daemon.config import (
    BrakeSection,
    EngineSection,
    LinkSection,
    LoadSection,
    StandFile,
    StandSection,
)
from leverarm_daemon.records import (
    Build,
    Calibration,
    CurvePoint,
    GuardView,
    Live,
    Peak,
    Pull,
    Quality,
    RotatingPart,
    Trip,
    Value,
    Weather,
)
from leverarm_daemon.store.changes import Batch, Channel, Opening, Progress

BUILD = Build(
    "paper filter",
    (RotatingPart("flywheel", 5000.0, "invented"), RotatingPart("drum", 6000.0, "invented")),
    inertia_kg_m2=0.02,
    peak_torque_nm=18.0,
)

STAND = StandFile(
    stand=StandSection("workshop"),
    link=LinkSection("/dev/null"),
    brake=BrakeSection(arm_m=0.3),
    load=LoadSection(500.0, Calibration((0.0, 0.01), "2025-01-01", "2035-01-01")),
    engine=EngineSection("pump engine, 270 cc (invented)"),
    weather=Weather(990.0, 25.0, 0.0),
    builds=(BUILD,),
)

OPENING = Opening(
    utc="2025-11-25T09:00:00Z",
    boot="boot-1",
    version="0.1.0",
    firmware="0.1.0",
    simulated=True,
    continues=False,
    stand=msgspec.json.encode(STAND).decode(),
    build=None,
    channels=(Channel("load", "N", "stand link L", 1.0, 500.0),),
)

_POINT = CurvePoint(12_000_000, 3000.0, 50.0, 15.0, -1.0, 14.0, 4.398, 7)

_PULL = Pull(
    id=0,
    run_id=0,
    build=BUILD.name,
    started_utc="2025-11-25T09:01:00Z",
    started_us=10_000_000,
    ended_us=16_000_000,
    kind="pull",
    kept=True,
    ended_by="release",
    peak_torque_nm=Peak(17.5, 2500.0),
    peak_power_kw=Peak(5.4, 3300.0),
    correction="SAE J1349",
    correction_factor=1.01,
    inertia_share=0.05,
    quality=Quality.GOOD,
    reason="",
    simulated=True,
    curve=(_POINT, msgspec.structs.replace(_POINT, device_us=12_250_000, speed_rpm=2900.0)),
)

_TRIP = Trip(
    0, 0, "2025-11-25T09:02:00Z", 70_000_000, "overspeed", ("stop-loop",),
    4210.0, 4200.0, 4890.0, 690.0, True,
)  # fmt: skip

VIEW = GuardView(
    boot="boot-1",
    revision=4,
    state="running",
    first_cause=None,
    followed_by=(),
    notices=(),
    why_not=(),
    build=BUILD.name,
    trip_rpm=4200.0,
    start_cap_rpm=3000.0,
    speed_rpm=3000.0,
    link="up",
    simulated=True,
    recorder=True,
)

LIVE = Live(
    utc="2025-11-25T09:01:03Z",
    device_us=13_000_000,
    guard=VIEW,
    values={"speed_rpm": Value(3000.0, "rpm"), "head_c": Value(None, "°C", Quality.BAD, "probe open")},
    recorded=True,
    not_recorded_because="",
    pull="falling",
    curve=((3000.0, 14.0, 4.4),),
    last_pull=None,
    dropped=0,
    age_ms=5,
)


def pull(**changes: Any) -> Pull:
    """Give a pull, with these fields instead."""
    return msgspec.structs.replace(_PULL, **changes)


def trip(**changes: Any) -> Trip:
    """Give a trip, with these fields instead."""
    return msgspec.structs.replace(_TRIP, **changes)


def batch(n: int, **parts: Any) -> Batch:
    """Give a batch up to the guard's item `n`."""
    return Batch(Progress("boot-1", n, 0, "{}"), **parts)
