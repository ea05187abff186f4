"""The OpenAPI 3.1 document, built from the route table and the types that the routes name.

What access and bodies add (token, origin, host, size) is added here by rule, so that no route can forget it.
"""

import re
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any, Final

import msgspec

from leverarm_api.access import WHO_MAY, May
from leverarm_api.problems import KINDS, MEDIA_TYPE, Problem
from leverarm_api.routing import Route

Json = dict[str, Any]

REF: Final = "#/components/schemas/{name}"

_BODY: Final = ("bad-json", "not-json", "not-valid", "too-large")
_HOLDER: Final = ("no-token", "wrong-token", "wrong-origin")

INFO: Final[Json] = {
    "title": "leverarm",
    "summary": "A workshop brake stand for small engines: live values, pulls, and whether a change helped.",
    "description": "POST /v1/stop is for anyone and is never refused, yet a network stop is no emergency stop. "
    "All errors are problem documents (RFC 9457); their types are listed under `x-problems`.",
    "version": version("leverarm"),
}


def document(routes: Iterable[Route]) -> Json:
    """Build the document for these routes."""
    routes = tuple(routes)
    paths: Json = {}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route)
    return {
        "openapi": "3.1.0",
        "info": INFO,
        "paths": paths,
        "components": {
            "schemas": _schemas(routes),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "x-problems": {name: msgspec.to_builtins(kind) for name, kind in KINDS.items()},
    }


def _schemas(routes: tuple[Route, ...]) -> Json:
    """Give the schema of every named type that the routes use, and of those within."""
    types = [kind for route in routes for kind in (route.reply, route.body) if _is_record(kind)]
    return msgspec.json.schema_components([*types, Problem], ref_template=REF)[1]


def _is_record(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, msgspec.Struct)


def _operation(route: Route) -> Json:
    """Describe one route."""
    may = WHO_MAY[route.name]
    operation: Json = {
        "operationId": route.handle.__name__,
        "summary": route.summary,
        "description": f"For {may.value}.",
        "parameters": [*_path_parameters(route), *_query_parameters(route)],
        "responses": {"200": _success(route)} | _failures(_problems(route, may)),
        "security": [{"token": []}] if may is May.HOLDER else [],
    }
    if route.body is not None:
        operation["requestBody"] = {"required": True, "content": {"application/json": {"schema": _ref(route.body)}}}
    return operation


def _path_parameters(route: Route) -> list[Json]:
    return [
        {"name": name, "in": "path", "required": True, "schema": {"type": "integer" if name == "id" else "string"}}
        for name in re.findall(r"{(\w+)}", route.path)
    ]


def _query_parameters(route: Route) -> list[Json]:
    if route.query is None:
        return []
    (_, schemas) = msgspec.json.schema_components([route.query], ref_template=REF)
    shape = schemas[route.query.__name__]
    return [
        {"name": name, "in": "query", "required": name in shape.get("required", ()), "schema": schema}
        for name, schema in shape["properties"].items()
    ]


def _success(route: Route) -> Json:
    """Describe the answer when all is well; of a stream, the schema of what each event carries."""
    schema: Json = {"type": "string"}
    if _is_record(route.reply):
        schema = _ref(route.reply)
    elif route.reply is not None:
        schema = msgspec.json.schema(route.reply)
    if route.media == "text/event-stream":
        schema = {"type": "string", "contentMediaType": "application/json", "contentSchema": schema}
    return {"description": route.summary, "content": {route.media: {"schema": schema}}}


def _ref(kind: type) -> Json:
    return {"$ref": REF.format(name=kind.__name__)}


def _problems(route: Route, may: May) -> tuple[str, ...]:
    """Give the kinds of a route's problems: its own, and those that follow by rule."""
    by_rule: tuple[str, ...] = () if may is May.ANYONE_ALWAYS else ("wrong-host",)
    by_rule += _HOLDER if may is May.HOLDER else ()
    by_rule += _BODY if route.body else ()
    by_rule += ("not-valid",) if route.query else ()
    return (*route.problems, *by_rule, "broken")


def _failures(kinds: tuple[str, ...]) -> Json:
    """Describe failures by their status; one status may have several kinds."""
    by_status: dict[int, list[str]] = {}
    for kind in kinds:
        by_status.setdefault(KINDS[kind].status, []).append(kind)
    return {str(status): _failure(names) for status, names in sorted(by_status.items())}


def _failure(kinds: list[str]) -> Json:
    words = "; ".join(f"`{kind}`: {KINDS[kind].title}" for kind in kinds)
    return {"description": words, "content": {MEDIA_TYPE: {"schema": _ref(Problem)}}}
