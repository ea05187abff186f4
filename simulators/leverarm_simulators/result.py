"""What a campaign found, held against what the simulator knows to be true."""

from collections.abc import Sequence

from leverarm_daemon.analysis.compare import compare, group
from leverarm_daemon.errors import Refused
from leverarm_daemon.records import Build, Comparison, Group, Pull, Record, Trip
from leverarm_simulators.scenario import Scenario

QUANTITIES = ("power_kw", "torque_nm")


class Result(Record):
    """The demonstration's result; `failures` is empty when everything is as it must be."""

    groups: tuple[Group, ...]
    comparisons: tuple[Comparison, ...]
    true_difference_pct: float
    trip: Trip | None
    seconds: float
    failures: tuple[str, ...]
    simulated: bool = True


def two_builds(scenario: Scenario) -> tuple[str, str]:
    """Give the two builds that the campaign compares, the first one first; raises Refused when there are not two."""
    names = tuple(dict.fromkeys(scenario.builds()))
    if len(names) != 2:
        raise Refused((f"a campaign compares two builds; this scenario has {len(names)}",))
    return names[0], names[1]


def true_difference_pct(scenario: Scenario) -> float:
    """Give how much more full-load torque the second build has, in per cent of the first."""
    a, b = two_builds(scenario)
    return 100.0 * (scenario.filters[b] / scenario.filters[a] - 1.0)


def judge(
    scenario: Scenario, builds: Sequence[Build], pulls: Sequence[Pull], trips: Sequence[Trip], seconds: float
) -> Result:
    """Compare what was found with the truth; `pulls` and `trips` are those of this campaign alone."""
    names = two_builds(scenario)
    kept = [pull for pull in pulls if pull.kept]
    wanted = {name: scenario.builds().count(name) for name in names}
    failures = [
        f"{name}: {found} of {wanted[name]} pulls are there"
        for name in names
        if (found := sum(pull.build == name for pull in kept)) != wanted[name]
    ]
    groups, comparisons = _compared(names, kept, failures)
    truth = true_difference_pct(scenario)
    failures += [
        f"{c.quantity}: the true difference of {truth:.2f} % lies outside {c.low_pct:.2f} to {c.high_pct:.2f} %"
        for c in comparisons
        if not c.low_pct <= truth <= c.high_pct
    ]
    trip = trips[0] if trips else None
    if scenario.campaign.brake_fails:
        failures += trip_failures(trip, builds)
    return Result(groups, comparisons, truth, trip, seconds, tuple(failures))


def _compared(
    names: tuple[str, str], kept: list[Pull], failures: list[str]
) -> tuple[tuple[Group, ...], tuple[Comparison, ...]]:
    """Make groups and comparisons; what cannot be compared goes to the failures."""
    a, b = ([pull for pull in kept if pull.build == name] for name in names)
    try:
        groups = tuple(group(name, kept) for name in names)
        return groups, tuple(compare(a, b, quantity) for quantity in QUANTITIES)
    except Refused as refused:
        failures.extend(refused.reasons)
        return (), ()


def trip_failures(trip: Trip | None, builds: Sequence[Build]) -> list[str]:
    """Give what is wrong with the trip: it must be overspeed, measured, and its peak below every rating."""
    if trip is None:
        return ["no trip is recorded"]
    failures = [] if trip.first_cause == "overspeed" else [f"the first cause is {trip.first_cause}, not overspeed"]
    if trip.edge_rpm is None or trip.peak_rpm is None or trip.overshoot_rpm is None:
        return [*failures, "speed at the edge, peak or overshoot of the trip is missing"]
    weakest = min((part.max_rpm for build in builds for part in build.rotating if part.max_rpm), default=None)
    if weakest is not None and trip.peak_rpm > weakest:
        failures.append(f"the peak of {trip.peak_rpm:.0f} rpm passes the weakest rating of {weakest:.0f} rpm")
    return failures
