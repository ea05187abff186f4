"""A stored pull worked out anew, from nothing but its raw data and the stand and build as they were then."""

from collections.abc import Iterator

from leverarm_daemon.quantities.cycles import CycleAverager
from leverarm_daemon.quantities.force import force_n
from leverarm_daemon.records import CurvePoint
from leverarm_daemon.store.reader import RawPull

LOAD_HZ = 80.0


def rework(stored: RawPull) -> tuple[CurvePoint, ...]:
    """Give the curve. Windows follow one another from where the first began, which only its middle tells: so look."""
    pull, stand = stored.pull, stored.stand
    for skipped in range(len(stored.raw.edges)):
        points = (p for p in _points(stored, skipped) if p.device_us >= pull.started_us)
        if (first := next(points, None)) is None:
            break
        if first.device_us == pull.started_us:
            return (first, *(p for p in points if p.device_us <= pull.ended_us))
    raise AssertionError(f"no window of pull {pull.id} on {stand.stand.name} begins as the first did")


def _points(stored: RawPull, skipped: int) -> Iterator[CurvePoint]:
    stand, build = stored.stand, stored.build
    averager = CycleAverager(
        arm_m=stand.brake.arm_m, inertia_kg_m2=build.inertia_kg_m2 if build else 0.0,
        pulses_per_rev=stand.pickup.pulses_per_rev, load_hz=LOAD_HZ, belt_ratio=stand.brake.belt_ratio,
    )  # fmt: skip
    edges = [(us, 0, count) for us, count in stored.raw.edges[skipped:]]
    loads = [(us, 1, count) for us, count in stored.raw.loads]
    for us, is_load, count in sorted([*edges, *loads], key=lambda row: row[:2]):
        if not is_load:
            assert count is not None
            yield from averager.edge(us, count)
        else:
            yield from averager.load(us, None if count is None else force_n(count, stand.load.calibration))
