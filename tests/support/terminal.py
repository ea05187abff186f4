"""What a command at the terminal said."""

from collections.abc import Awaitable, Callable
from typing import Any, NamedTuple

import msgspec

from leverarm_daemon import cli


class Said(NamedTuple):
    """What a command said."""

    code: int
    out: str
    err: str

    @property
    def value(self) -> Any:
        """The one JSON value on standard output."""
        assert (self.code, self.err) == (0, ""), self
        return msgspec.json.decode(self.out)

    @property
    def trouble(self) -> cli.Trouble:
        """The JSON object on standard error; nothing may be on standard output."""
        assert self.out == ""
        found = msgspec.json.decode(self.err, type=cli.Trouble)
        assert found.exit_code == self.code
        return found


Run = Callable[..., Awaitable[Said]]
