"""What the application holds, by typed keys."""

from collections.abc import Callable
from typing import Final

from aiohttp import web

from leverarm_api.live import LiveHub
from leverarm_api.stop import Stopper
from leverarm_api.work import Worker
from leverarm_daemon.config import StandFile
from leverarm_daemon.store.reader import Reader

STAND: Final = web.AppKey("stand", StandFile)
ALLOWED_HOSTS: Final = web.AppKey("allowed_hosts", frozenset[str])
TOKEN_SHA256: Final = web.AppKey("token_sha256", str)
OPEN_STORE: Final[web.AppKey[Callable[[], Reader]]] = web.AppKey("open_store")
LIVE: Final = web.AppKey("live", LiveHub)
STOPPER: Final = web.AppKey("stopper", Stopper)
WORKER: Final = web.AppKey("worker", Worker)
