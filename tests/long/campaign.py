"""A thousand seeds of the demonstration without a clock, and a thousand with two equal filters.

    ./tests/run long campaign               go on where it ended; Ctrl-C at any time
    SEEDS=200 ./tests/run long campaign     fewer, or more
"""

import os
import sys
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from support.campaigns import ROOT, file_of_results, go_on, problems, shares

COLUMNS = (TextColumn("campaigns"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())


def main() -> int:
    path = file_of_results(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "var" / "campaigns")
    print(f"Results are kept in {path}", flush=True)
    with Progress(*COLUMNS, console=Console(stderr=True)) as progress:
        task = progress.add_task("")
        tried = go_on(
            path, range(1, int(os.environ.get("SEEDS", "1000")) + 1),
            lambda done, total: progress.update(task, completed=done, total=total),
        )
    for name, share in shares(tried).items():
        print(f"{name}: {share}")
    for problem in (wrong := problems(tried)):
        print(f"FAILED {problem}")
    return 1 if wrong else 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit("Stopped; run it again, and it goes on from here.")
