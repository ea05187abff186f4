"""The OpenAPI document, made of all other routes and itself."""

from typing import Any

import msgspec
from aiohttp import web

from leverarm_api.openapi import document
from leverarm_api.routing import Route


def route_for(*others: Route) -> Route:
    """Give the route that serves the document of the others and itself."""

    async def openapi(_request: web.Request) -> web.Response:
        """Give the document."""
        return web.Response(body=body, content_type="application/json")

    own = Route("GET", "/v1/openapi.json", openapi, "This document.", reply=dict[str, Any])
    body = msgspec.json.encode(document((*others, own)))
    return own
