"""Every route, in the order in which the OpenAPI document lists them."""

from typing import Final

from leverarm_api.routes import commands, compare, document, live, page, pulls, state
from leverarm_api.routing import Route

_ALL_BUT_THE_DOCUMENT: Final = (
    *live.ROUTES, *state.ROUTES, *commands.ROUTES, *pulls.ROUTES, *compare.ROUTES, *page.ROUTES,
)

ROUTES: Final[tuple[Route, ...]] = (*_ALL_BUT_THE_DOCUMENT, document.route_for(*_ALL_BUT_THE_DOCUMENT))
