"""What never came, or cannot be read, is counted once and told."""

import msgspec

from leverarm_daemon.ipc.messages import Note
from leverarm_daemon.recorder.pipeline import Pipeline
from leverarm_daemon.store.changes import Progress
from support.items import Front, run
from support.samples import STAND


def test_missing_items_are_counted_and_told() -> None:
    front = Front()
    front.hello(1.0)
    for k in range(100):
        front.status(1.0 + k * 0.02)
    pipeline = Pipeline(STAND, "b")
    written = run(pipeline, front.items[:50] + front.items[60:])
    (gap,) = [event for event in written.events if event.kind == "gap"]
    assert gap.body == '{"missing":10}'
    assert pipeline.losses.count == 10


def test_lines_that_the_guard_never_got_are_counted() -> None:
    front = Front()
    front.hello(1.0)
    for k in range(100):
        front.status(1.0 + k * 0.02)
    kept = front.items[:50] + front.items[60:]
    pipeline = Pipeline(STAND, "b")
    run(pipeline, [msgspec.structs.replace(item, n=n) for n, item in enumerate(kept, 1)])
    assert pipeline.losses.count == 10


def test_a_line_that_cannot_be_read_is_counted_and_skipped() -> None:
    front = Front()
    front.hello(1.0)
    damaged = msgspec.structs.replace(front.line("E", 1.1, "1"), text="E 2 1100000 1 *00000000")
    odd = front.items[0].__class__(3, 0, 0, 1_200_000, "Ü")  # type: ignore[arg-type]
    pipeline = Pipeline(STAND, "b")
    run(pipeline, [front.items[0], damaged, odd])
    assert pipeline.losses.count == 2


def test_a_note_that_cannot_be_read_is_counted_and_kept() -> None:
    pipeline = Pipeline(STAND, "b")
    written = run(pipeline, [Note(1, 0, 0, "select", '{"build":7}'), Note(2, 0, 0, "state", "nonsense")])
    written.add(pipeline.finish("ok", "stopped"))
    assert pipeline.losses.count == 2
    assert [event.body for event in written.events] == ['{"build":7}', "nonsense"]


def test_what_is_missing_from_a_replay_is_not_counted_again() -> None:
    front = Front()
    front.hello(1.0)
    for k in range(100):
        front.status(1.0 + k * 0.02)
    kept = front.items[:50] + front.items[60:]
    items = [msgspec.structs.replace(item, n=n) for n, item in enumerate(kept, 1)]
    pipeline = Pipeline(STAND, "b", Progress("b", 80, 0, "{}"))
    run(pipeline, items)
    assert pipeline.losses.count == 0
    assert pipeline.losses.newest_us > 0
