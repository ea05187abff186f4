"""The causes that stop the engine or warn a person, as one table.

Guard, front end, SAFETY.md, API and page all read it; the front end's copy (`deploy/firmware/tables.py`)
is made from it and compared by a test.
"""

from typing import Final

import msgspec

AFTER_A_TRIP: Final = "Throttle shut, strap slack, fuel off, then wait until it stands still."


class Cause(msgspec.Struct, frozen=True):
    """One reason to act.

    `where`: who decides, a subset of "HMGR" (H wiring, M front end, G guard, R recorder).
    Effects: `kill` ignition, cut `fuel`, `alarm`, `forbid` running, `latch` until a person resets.
    `key_reset`: the reset needs the key on the stand. `followed`: seen only after another cause.
    """

    id: str
    words: str
    where: str
    threshold: str
    debounce: str
    valid: str
    kill: bool
    fuel: bool
    alarm: bool
    forbid: bool
    latch: bool
    key_reset: bool
    advice: str


def _trip(
    cause_id: str, words: str, where: str, threshold: str, debounce: str, valid: str, advice: str, *, key: bool = False
) -> Cause:
    """Make a cause that kills the ignition, cuts the fuel and latches."""
    return Cause(
        cause_id, words, where, threshold, debounce, valid, True, True, True, True, True, key, advice
    )


def _notice(
    cause_id: str, words: str, where: str, threshold: str, debounce: str, valid: str, advice: str, *, forbid: bool
) -> Cause:
    """Make a cause that warns, and perhaps forbids running, but never stops the engine."""
    return Cause(
        cause_id, words, where, threshold, debounce, valid,
        False, False, True, forbid, False, False, advice,
    )


_ALL: Final = (
    _trip(
        "overspeed", "faster than the weakest rotating part allows", "MG",
        "pickup interval shorter than at the trip speed", "1 valid interval", "start allowed, running, stopping",
        f"{AFTER_A_TRIP} Look at strap, flywheel and its key, and the drum, before anything turns again.", key=True,
    ),
    _trip(
        "speed-implausible", "the speed signal jumps as no engine can", "M",
        "interval below 0.75 x or above 1.5 x the one before", "2 in a row or 3 a second", "after 2 s above 1,000 rpm",
        f"{AFTER_A_TRIP} Look at the pickup: gap, bracket, cable, spark noise.",
    ),
    _trip(
        "pickup-lost", "the speed signal is gone while the engine ran", "M",
        "no pulse for 3 intervals, at least 100 ms", "none", "last two intervals above 1,500 rpm",
        f"{AFTER_A_TRIP} The engine may still be turning: do not reach in. Then look at pickup and cable.",
    ),
    _trip(
        "guard-silent", "the computer no longer answers the stand", "M",
        "age of the newest answer above answer_age_max_ms", "none", "start allowed, running",
        f"{AFTER_A_TRIP} Look at the cable and at the computer. Reset once it answers again.",
    ),
    _trip(
        "stand-silent", "the stand no longer reports", "G",
        "no valid line for 100 ms (answer_age_max_ms)", "none", "start allowed, running",
        f"{AFTER_A_TRIP} Look at the cable and at the supply of the front end.",
    ),
    _trip(
        "stand-restarted", "the front end restarted while the engine ran", "G",
        "a hello while not held", "none", "start allowed, running, stopping",
        f"{AFTER_A_TRIP} Look at the supply voltage of the front end.",
    ),
    _trip(
        "stand-tripped", "the stand tripped for a reason that this guard does not know", "M",
        "a cause that is not in this table", "none", "always",
        f"{AFTER_A_TRIP} Look which firmware the front end runs.",
    ),
    _trip(
        "bad-lines", "too many damaged lines on the stand link", "G",
        "20 damaged lines", "within 1 s", "start allowed, running",
        f"{AFTER_A_TRIP} Move the link cable away from the ignition lead; look at its plug.",
    ),
    _trip(
        "limits-differ", "the stand holds other limits than the computer", "G",
        "CRC of the limits in the status line is not the one sent; no build, other version or pulses",
        "1 s", "start allowed, running",
        f"{AFTER_A_TRIP} Then select the build again.",
    ),
    _trip(
        "shield-open", "the shield was opened while running", "HM",
        "shield switch open", "20 ms", "running",
        f"{AFTER_A_TRIP} Shut the shield.",
    ),
    _trip(
        "head-hot", "the cylinder head is too hot", "G",
        "limits.head_trip_c", "1 s", "start allowed, running; forbids a start otherwise",
        f"{AFTER_A_TRIP} Leave the fan on. Do not open the tank or touch the head.",
    ),
    _trip(
        "drum-hot", "the brake drum is too hot", "G",
        "limits.drum_trip_c, 300 °C unless the maker says otherwise", "1 s",
        "start allowed, running; forbids a start otherwise",
        f"{AFTER_A_TRIP} Let the drum cool in air; a hot strap loses grip without warning.",
    ),
    _trip(
        "load-over", "the load cell is loaded beyond its rating", "G",
        "110 % of load.rated_n", "100 ms", "start allowed, running; forbids a start otherwise",
        f"{AFTER_A_TRIP} Look at the arm and cell for damage, then check the calibration.",
    ),
    _trip(
        "load-lost", "the load cell gives no valid reading", "G",
        "no valid count for the greater of 300 ms and 3 sample periods", "none", "start allowed, running",
        f"{AFTER_A_TRIP} Look at the cell's cable and converter.",
    ),
    _trip(
        "head-probe", "the head thermometer gives no valid reading", "G",
        "fault reported, or nothing for 2 s", "3 readings in a row", "start allowed, running, when a head limit is set",
        f"{AFTER_A_TRIP} Look at the probe and its wires.",
    ),
    Cause(
        "stop-loop", "the stop button is pressed, or its loop is broken", "HM",
        "stop loop open", "none", "always",
        True, True, True, False, False, False,
        "Release the button when nobody is near the engine; a start must then be allowed anew.",
    ),
    Cause(
        "asked", "somebody asked for a stop", "G",
        "a stop from page, REST, MQTT or command line", "none", "always",
        True, True, False, False, False, False,
        "Throttle shut, strap slack.",
    ),
    Cause(
        "start-cap", "faster than a start may be", "M",
        "limits.start_cap_rpm", "2 intervals in a row", "start allowed",
        True, True, True, False, False, False,
        "Start with less throttle, and shut the shield once it runs: then the full limit applies.",
    ),
    Cause(
        "start-lapsed", "nobody pulled the cord", "M",
        "limits.start_lapse_s since the last pull", "none", "start allowed",
        True, True, False, False, False, False,
        "Allow a start again when you are ready.",
    ),
    _notice(
        "speed-near-limit", "near the trip speed", "G", "95 % of the trip speed", "0.3 s", "running",
        "Tighten the strap or shut the throttle a little.", forbid=False,
    ),
    _notice(
        "head-warm", "the head nears its limit", "G", "limits.head_warn_c", "2 s", "always",
        "Take the load off and let the fan work.", forbid=False,
    ),
    _notice(
        "recorder-silent", "the recorder does not listen", "G", "no recorder on the guard's socket", "3 s", "always",
        "The engine is guarded, but nothing is kept. It restarts by itself; if not, look at its log.", forbid=False,
    ),
    _notice(
        "not-recorded", "this run is not recorded", "R", "the store cannot be written", "none", "always",
        "Free space on the disk; recording goes on by itself.", forbid=False,
    ),
)

CAUSES: Final[dict[str, Cause]] = {cause.id: cause for cause in _ALL}
"""Every cause by its id, in the order in which they are shown."""
