# What the slower sensors tell, gathered until it is sent. Runs on MicroPython and CPython.

STALE_US = 1000000              # a temperature older than this is none


class Readings:
    """Load-cell counts, `batch` to a line, and the newest temperature of each probe. `mask` wraps the clock."""

    def __init__(self, batch, mask):
        self._batch = batch
        self._mask = mask
        self._counts = []
        self._first_us = 0
        self._temps = {}

    def load(self, us, count):
        """Take a conversion; give (time, fields) of a line when one is full, else None."""
        if not self._counts:
            self._first_us = us
        self._counts.append("!" if count is None else str(count))
        if len(self._counts) < self._batch:
            return None
        gaps = len(self._counts) - 1
        step = ((us - self._first_us) & self._mask) // gaps if gaps else 0
        fields = "%d %s" % (step, " ".join(self._counts))
        self._counts = []
        return self._first_us, fields

    def temp(self, us, name, reading):
        self._temps[name] = (us, "!" + reading if isinstance(reading, str) else str(reading))

    def temps(self, us):
        """Give the fields of a line of temperatures; empty when there is no probe."""
        return " ".join([self._temp(us, name) for name in self._temps])

    def _temp(self, us, name):
        taken_us, text = self._temps[name]
        return "%s=%s" % (name, "!stale" if ((us - taken_us) & self._mask) > STALE_US else text)
