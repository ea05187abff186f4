"""Did the change help? Two groups of pulls, the difference, and how sure one may be of it."""

from collections.abc import Mapping, Sequence
from typing import Final

from leverarm_daemon.analysis.repeat import Welch, spread, welch
from leverarm_daemon.errors import Refused
from leverarm_daemon.quantities.correction import is_in_range
from leverarm_daemon.records import Comparison, Group, Pull, Quality, Spread
from leverarm_daemon.units import SI, Shown

ENOUGH_PULLS: Final = 6
"""Common practice: six pulls or more before a number is believed."""

QUANTITIES: Final = {"torque_nm": "peak torque", "power_kw": "peak power"}
"""What can be compared, and how it is called."""


def group(build: str, pulls: Sequence[Pull]) -> Group:
    """Give the group of a build's kept pulls; others are passed over.

    Refused when none is left, or one of them is bad.
    """
    ours = [pull for pull in pulls if pull.kept and pull.build == build]
    _usable(f"build {build!r}", ours)
    return Group(
        build=build,
        pulls=tuple(pull.id for pull in ours),
        torque_nm=spread(_peaks(ours, "torque_nm")),
        power_kw=spread(_peaks(ours, "power_kw")),
        provisional=len(ours) < ENOUGH_PULLS,
    )


def compare(a: Sequence[Pull], b: Sequence[Pull], quantity: str, told_in: Mapping[str, Shown] = SI) -> Comparison:
    """Compare B against A by Welch's 95 % interval; the percentages are of A's mean.

    The sentence is told in the units of `told_in`, all numbers are SI.

    Each group must hold kept pulls of one build. Refused, with the reason, for anything that cannot
    be compared: an empty group, one pull, a bad pull, two corrections, no scatter at all, an
    unknown quantity.
    """
    _comparable(a, b, quantity)
    spread_a, spread_b = spread(_peaks(a, quantity)), spread(_peaks(b, quantity))
    if spread_a.mean <= 0:
        raise Refused((f"the mean of {a[0].build!r} is not above zero: no per cent of it can be given",))
    result = welch(spread_a, spread_b)
    percent = 100 / spread_a.mean
    return Comparison(
        a=a[0].build,
        b=b[0].build,
        quantity=quantity,
        unit=SI[quantity].unit,
        n_a=len(a),
        n_b=len(b),
        difference=result.difference,
        low=result.low,
        high=result.high,
        difference_pct=result.difference * percent,
        low_pct=result.low * percent,
        high_pct=result.high * percent,
        verdict=verdict(result),
        sentence=_sentence((a[0].build, b[0].build), quantity, (spread_a, spread_b), result, told_in[quantity]),
        warnings=_warnings(a, b),
    )


def verdict(result: Welch) -> str:
    """Give "higher" or "lower" when the whole interval lies there, else "not settled"."""
    if result.low > 0:
        return "higher"
    return "lower" if result.high < 0 else "not settled"


def _peaks(pulls: Sequence[Pull], quantity: str) -> list[float]:
    if quantity == "torque_nm":
        return [pull.peak_torque_nm.value for pull in pulls]
    return [pull.peak_power_kw.value for pull in pulls]


def _usable(name: str, pulls: Sequence[Pull]) -> None:
    if not pulls:
        raise Refused((f"{name} has no kept pulls: make some, or keep those that were left out",))
    if bad := [f"pull {pull.id}: {pull.reason}" for pull in pulls if pull.quality is Quality.BAD]:
        raise Refused((f"{name} holds bad pulls; leave them out ({'; '.join(bad)})",))


def _comparable(a: Sequence[Pull], b: Sequence[Pull], quantity: str) -> None:
    if quantity not in QUANTITIES:
        raise Refused((f"there is no quantity {quantity!r}; known: {', '.join(QUANTITIES)}",))
    for name, pulls in (("group A", a), ("group B", b)):
        _usable(name, pulls)
        if len(builds := {pull.build for pull in pulls}) > 1:
            raise Refused((f"{name} mixes builds: {', '.join(sorted(builds))}",))
    if both := sorted({pull.id for pull in a} & {pull.id for pull in b}):
        raise Refused((f"pulls in both groups: {', '.join(map(str, both))}",))
    if len(names := {pull.correction for pull in (*a, *b)}) > 1:
        raise Refused((f"the pulls have different corrections ({', '.join(sorted(names))})",))


def _warnings(a: Sequence[Pull], b: Sequence[Pull]) -> tuple[str, ...]:
    """Say what a person should know before they believe the verdict."""
    found = []
    pulls = (*a, *b)
    if min(len(a), len(b)) < ENOUGH_PULLS:
        found.append(f"provisional: fewer than {ENOUGH_PULLS} pulls in a group")
    if max(p.id for p in a) < min(p.id for p in b) or max(p.id for p in b) < min(p.id for p in a):
        found.append("all of one group came first: a drift would look the same; alternate, A-B-B-A")
    if len({pull.simulated for pull in pulls}) > 1:
        found.append("simulated and measured pulls are mixed: this says nothing of a real engine")
    elif pulls[0].simulated:
        found.append("simulated pulls, not a real engine")
    if doubtful := [str(pull.id) for pull in pulls if pull.quality is Quality.SUSPECT]:
        found.append(f"suspect pulls: {', '.join(doubtful)}")
    if not all(is_in_range(pull.correction_factor) for pull in pulls):
        found.append("weather correction beyond 7 %: the standard does not vouch for it")
    return tuple(found)


def _sentence(
    builds: tuple[str, str], quantity: str, spreads: tuple[Spread, Spread], result: Welch, shown: Shown
) -> str:
    (a, b), (of_a, of_b) = builds, spreads
    percent = 100 / of_a.mean
    end = verdict(result)
    if end == "not settled":
        end += ", the scatter of these pulls is too large to tell"
    return (
        f"{b} against {a}: {QUANTITIES[quantity]} {_signed(result.difference * percent)}"
        f" (95 % interval {_interval(result.low * percent, result.high * percent)}),"
        f" {shown.of(of_b.mean):.2f} against {shown.of(of_a.mean):.2f} {shown.unit},"
        f" from {of_b.n} and {of_a.n} pulls: {end}."
    )


def _signed(percent: float) -> str:
    return f"{abs(percent):.1f} % {'lower' if percent < 0 else 'higher'}"


def _interval(low: float, high: float) -> str:
    """Give "2.4 to 1.4 % lower", or with both words where the interval spans zero."""
    if (low < 0) == (high < 0):
        return f"{abs(low):.1f} to {_signed(high)}"
    return f"{_signed(low)} to {_signed(high)}"
