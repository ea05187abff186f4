"""Quality of what is worked out from other values: never better than the worst of them."""

import math

from leverarm_daemon.records import Quality, Value

_ORDER = tuple(Quality)


def worst(*qualities: Quality) -> Quality:
    """Give the worst of these qualities; good when there are none."""
    return max(qualities, key=_ORDER.index, default=Quality.GOOD)


def derived(number: float | None, unit: str, *inputs: Value) -> Value:
    """Give a value of the worst quality among its inputs, with the reasons of those that have it.

    No number, or one that is not finite, is bad of itself; a bad value carries no number.
    """
    quality = worst(*(value.quality for value in inputs))
    reason = "; ".join(dict.fromkeys(v.reason for v in inputs if v.quality is quality and v.reason))
    if quality is Quality.BAD:
        return Value(None, unit, quality, reason)
    if number is None or not math.isfinite(number):
        return Value(None, unit, Quality.BAD, "no number could be worked out")
    return Value(number, unit, quality, reason)
