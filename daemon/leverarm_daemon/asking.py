"""Asks guard and recorder for a person at the terminal, and says in their words why nothing comes back."""

import os
from pathlib import Path
from typing import Final

from leverarm_daemon.config import StandFile
from leverarm_daemon.errors import BadMessage, LeverarmError, PeerGone, Refused, RefuseToStart
from leverarm_daemon.ipc.blocking import ask_guard, ask_recorder
from leverarm_daemon.ipc.messages import Done, Fine, GuardRequest, Keep, No, Picture, Watch
from leverarm_daemon.records import GuardView, Live
from leverarm_daemon.run import answers

LIVE_WITHIN_S: Final = 0.5


def ask(stand: StandFile, request: GuardRequest) -> GuardView:
    """Ask the guard; raises Refused with its reasons, PeerGone."""
    try:
        reply = ask_guard(stand.guard_sock, request)
    except PeerGone:
        raise _gone("guard", stand.guard_sock) from None
    if isinstance(reply, Done):
        return reply.view
    if isinstance(reply, No) and reply.kind == "stale":
        raise Refused(("the stand has changed since you looked: look at its state again, then decide",))
    raise Refused(reply.reasons if isinstance(reply, No) else ("the guard answered something unexpected",))


def ask_to_keep(stand: StandFile, keep: Keep) -> None:
    """Have the recorder note whether a pull counts; raises Refused with its reasons, PeerGone."""
    try:
        reply = ask_recorder(stand.recorder_sock, keep)
    except PeerGone:
        raise _gone("recorder", stand.recorder_sock) from None
    if not isinstance(reply, Fine):
        raise Refused(reply.reasons if isinstance(reply, No) else ("the recorder answered something unexpected",))


def live_picture(stand: StandFile) -> Live | None:
    """Give one picture of the recorder, or None when it sends none in time."""
    try:
        reply = ask_recorder(stand.recorder_sock, Watch(), LIVE_WITHIN_S)
    except (PeerGone, BadMessage):
        return None
    return reply.live if isinstance(reply, Picture) else None


def _gone(name: str, path: Path) -> LeverarmError:
    if path.exists() and not os.access(path, os.W_OK):
        return RefuseToStart(f"you may not ask the {name}: {path} is closed to you. Ask as the user who started it")
    if answers(path):
        hint = "use the button on the stand" if name == "guard" else "look into its log"
        return PeerGone(f"the {name} does not answer: {hint}")
    what = f"the {name} has died" if path.exists() else "nothing is running"
    return PeerGone(f"{what} in {path.parent}. Start the stand with `leverarm start`, or name its file with --stand")
