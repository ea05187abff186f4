"""Counts what never came, or came and could not be read, each once. Pure."""


class Losses:
    """Losses up to now: how many, and the device time of the newest, -1 when there is none.

    They show twice: the guard's items are numbered, and so are the lines of the stand link, before the
    guard has them. What is missing of the items is missing of the lines as well.
    """

    def __init__(self) -> None:
        self.count = 0
        self.newest_us = -1
        self._since_line = 0

    def items(self, missing: int, now_us: int) -> None:
        """Note that items are missing, or that one cannot be read."""
        if missing > 0:
            self.count += missing
            self._since_line += missing
            self.newest_us = now_us

    def lines(self, missing: int, now_us: int, replaying: bool) -> None:
        """Note a line that came, and how many are missing before it; while `replaying` they are counted already."""
        if missing > 0:
            self.count += 0 if replaying else max(0, missing - self._since_line)
            self.newest_us = now_us
        self._since_line = 0
