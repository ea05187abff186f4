"""Copies of the tables for those who cannot import them: the front end (MicroPython) and SAFETY.md.

Run `python -m leverarm_daemon.tables REPOSITORY` after changing states.py or causes.py; a test compares.
"""

import sys
from pathlib import Path
from typing import Final

from leverarm_daemon.causes import CAUSES, Cause
from leverarm_daemon.states import IGNITION_LIVE, TRANSITIONS, State, Step

FIRMWARE: Final = Path("deploy/firmware/tables.py")
SAFETY: Final = Path("daemon/SAFETY.md")


def _constant(name: str) -> str:
    return name.upper().replace("-", "_")


def firmware_tables() -> str:
    """Give the text of the front end's table file: states and steps as small whole numbers."""
    states, steps = list(State), list(Step)
    numbers = [
        tuple(states.index(TRANSITIONS[state][step]) if step in TRANSITIONS[state] else -1 for step in steps)
        for state in states
    ]
    lines = [
        "# Made from states.py and causes.py by: python -m leverarm_daemon.tables",
        f"STATES = {tuple(state.value for state in states)!r}",
        *(f"{_constant(state)} = {n}" for n, state in enumerate(states)),
        *(f"{_constant(step)} = {n}" for n, step in enumerate(steps)),
        "# AFTER[state][step] is the state afterwards; -1: nothing changes",
        "AFTER = (",
        *(f"    {row!r},  # {state}" for state, row in zip(states, numbers, strict=True)),
        ")",
        f"IGNITION_LIVE = {tuple(states.index(state) for state in IGNITION_LIVE)!r}",
    ]
    return "\n".join(lines).replace("'", '"') + "\n"


def state_diagram() -> str:
    """Give the transitions as the lines of SAFETY.md's drawing."""
    width = max(len(state) for state in State)
    rows = [
        f"{state.value:<{width}}  --{step.value}--> {target.value}"
        for state, steps in TRANSITIONS.items()
        for step, target in steps.items()
    ]
    return "\n".join(["```", *rows, "```"])


def _cause_row(cause: Cause) -> str:
    effects = (cause.kill, cause.fuel, cause.alarm, cause.forbid, cause.latch)
    marks = " | ".join("x" if effect else "-" for effect in effects)
    reset = "key" if cause.key_reset else "person" if cause.latch else "-"
    return (
        f"| `{cause.id}` | {cause.words} | {cause.where} | {cause.threshold} | {cause.debounce} | {cause.valid} "
        f"| {marks} | {reset} | {cause.advice} |"
    )


def cause_table() -> str:
    """Give the causes as SAFETY.md's table."""
    columns = "id|in words|where|threshold|debounce|valid|kill|fuel|alarm|forbid|latch|reset|advice"
    head = f"| {columns.replace('|', ' | ')} |"
    return "\n".join([head, "|" + "---|" * 13, *(_cause_row(cause) for cause in CAUSES.values())])


def _between(text: str, name: str, new: str) -> str:
    """Replace what stands between the two marks of this name."""
    start, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
    before, _, rest = text.partition(start)
    _, _, after = rest.partition(end)
    return f"{before}{start}\n{new}\n{end}{after}"


def safety_page(text: str) -> str:
    """Give SAFETY.md with its drawing and its table brought up to date."""
    return _between(_between(text, "states", state_diagram()), "causes", cause_table())


def main() -> None:
    """Rewrite the copies in a checkout."""
    root = Path(sys.argv[1] if len(sys.argv) > 1 else ".")
    (root / FIRMWARE).write_text(firmware_tables())
    page = root / SAFETY
    page.write_text(safety_page(page.read_text()))


if __name__ == "__main__":
    main()
