"""Which of the guard's items are missing, and which are stored already."""

from leverarm_daemon.recorder.ledger import Ledger
from leverarm_daemon.store.changes import Progress


def missing(stored: Progress | None, *numbers: int) -> list[int]:
    ledger = Ledger("b", stored, 0)
    return [ledger.item(n) for n in numbers]


def test_what_a_boot_told_before_its_first_item_came_is_missing() -> None:
    assert missing(None, 50_000, 50_001, 50_004) == [49_999, 0, 2]
    assert missing(None, 1, 2) == [0, 0]


def test_what_is_stored_already_is_not_missing() -> None:
    stored = Progress("b", 100, 60, "{}")
    assert missing(stored, 61, 62, 100, 101) == [0, 0, 0, 0]
    assert missing(stored, 98, 104) == [0, 3]
    assert missing(stored, 140) == [39]
