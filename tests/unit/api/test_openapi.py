"""The OpenAPI document: valid, and of exactly the routes that exist."""

import re
from typing import Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from leverarm_api.access import WHO_MAY, May
from leverarm_api.problems import KINDS
from support.api import Bench


@pytest.fixture
async def document(stand: Bench) -> Any:
    return await (await stand.client.get("/v1/openapi.json")).json()


async def test_it_is_valid(document: Any) -> None:
    OpenAPIV31SpecValidator(document).validate()
    assert document["openapi"].startswith("3.1")


async def test_every_route_is_documented_and_every_documented_route_exists(stand: Bench, document: Any) -> None:
    routes = stand.client.app.router.routes()
    served = {(route.method, route.resource.canonical) for route in routes if route.resource is not None}
    documented = {(method.upper(), path) for path, methods in document["paths"].items() for method in methods}
    assert documented == served


async def test_the_token_is_asked_for_where_it_is_needed(document: Any) -> None:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            needs = WHO_MAY[f"{method.upper()} {path}"] is May.HOLDER
            assert (operation["security"] == [{"token": []}]) == needs
            assert ("401" in operation["responses"]) == (needs or path == "/v1/access")


async def test_every_kind_of_problem_is_told_somewhere(document: Any) -> None:
    told = set(re.findall(r"`([a-z-]+)`: ", str(document["paths"])))
    everywhere = {"wrong-method"}
    assert told | everywhere == set(KINDS)


async def test_queries_and_bodies_are_described(document: Any) -> None:
    paths = document["paths"]
    limit = {one["name"]: one for one in paths["/v1/pulls"]["get"]["parameters"]}["limit"]
    assert (limit["schema"]["minimum"], limit["schema"]["maximum"], limit["required"]) == (1, 1000, False)
    required = {one["name"]: one["required"] for one in paths["/v1/compare"]["get"]["parameters"]}
    assert required == {"a": True, "b": True, "units": False}
    body = paths["/v1/select"]["post"]["requestBody"]["content"]["application/json"]["schema"]["$ref"]
    assert set(document["components"]["schemas"][body.rpartition("/")[2]]["required"]) == {"revision", "build"}
    assert "requestBody" not in paths["/v1/stop"]["post"]
