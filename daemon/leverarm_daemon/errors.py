"""Errors, by what the caller does next.

LeverarmError
    RefuseToStart     the program must not run like this: say why and exit
        ConfigError   the stand file is wrong: names file, key, value and what is allowed
        StoreError    the database cannot be used as it is
    Reconnect         the other side is gone: wait, then try again
        LinkLost      the stand link
        PeerGone      another of our processes
    CountAndSkip      one input is bad: count it, skip it, go on
        BadLine       a line of the stand link
        BadMessage    a message between our processes
        BadChunk      a second of raw data in the store (store.chunks)
        StoreBusy     the store's writer cannot keep up (store.writer)
    Refused           a person asked for what may not be: tell them the reasons
    NotFound          a person asked for what does not exist
    CampaignFailed    the demonstration does not get on (the simulators' own)
"""


class LeverarmError(Exception):
    """Whatever this program raises by itself."""


class RefuseToStart(LeverarmError):
    """The program must not run like this."""


class ConfigError(RefuseToStart):
    """The stand file is wrong."""

    def __init__(self, file: str, key: str, problem: str, allowed: str = "") -> None:
        hint = f" Allowed: {allowed}." if allowed else ""
        super().__init__(f"{file}: {key}: {problem}.{hint}")
        self.file, self.key, self.problem, self.allowed = file, key, problem, allowed


class StoreError(RefuseToStart):
    """The database cannot be used as it is."""


class Reconnect(LeverarmError):
    """The other side is gone."""


class LinkLost(Reconnect):
    """The stand link is gone."""


class PeerGone(Reconnect):
    """Another of our processes is gone."""


class CountAndSkip(LeverarmError):
    """One input is bad."""


class BadLine(CountAndSkip):
    """A line of the stand link that cannot be used."""


class BadMessage(CountAndSkip):
    """A message between our processes that cannot be used."""


class Refused(LeverarmError):
    """What was asked may not be, for these reasons."""

    def __init__(self, reasons: tuple[str, ...]) -> None:
        super().__init__("; ".join(reasons))
        self.reasons = reasons


class NotFound(LeverarmError):
    """What was asked for does not exist."""
