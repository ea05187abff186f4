"""Who may do what: all rules of access, in one place.

Reading is for whoever reaches this server by a name that is its own (so that no foreign name can be pointed at it).
Changing needs the token and must not come from another site's page. Stopping is for anyone, always.
"""

import hashlib
import hmac
import ipaddress
import json
import os
import secrets
import socket
from enum import StrEnum
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from aiohttp import web

from leverarm_api.keys import ALLOWED_HOSTS, TOKEN_SHA256
from leverarm_api.problems import ApiProblem, Handler
from leverarm_daemon.errors import RefuseToStart

BODY_LIMIT: Final = 64 * 1024
"""Bytes; longer bodies are refused."""


class May(StrEnum):
    """Who may use a route."""

    ANYONE_ALWAYS = "anyone, always: no token, any host, any origin, any body"
    READER = "whoever reaches this server by its own name"
    HOLDER = "whoever holds the token, not from another site"


WHO_MAY: Final[dict[str, May]] = {
    "GET /": May.READER,
    "GET /page/{name}": May.READER,
    "GET /v1/access": May.READER,
    "GET /v1/live": May.READER,
    "GET /v1/state": May.READER,
    "POST /v1/stop": May.ANYONE_ALWAYS,
    "POST /v1/allow": May.HOLDER,
    "POST /v1/reset": May.HOLDER,
    "POST /v1/select": May.HOLDER,
    "GET /v1/stand": May.READER,
    "GET /v1/causes": May.READER,
    "GET /v1/builds": May.READER,
    "GET /v1/pulls": May.READER,
    "GET /v1/pulls/{id}": May.READER,
    "POST /v1/pulls/{id}/keep": May.HOLDER,
    "GET /v1/groups": May.READER,
    "GET /v1/compare": May.READER,
    "GET /v1/trips": May.READER,
    "GET /v1/trips/{id}": May.READER,
    "GET /v1/openapi.json": May.READER,
}

SECURITY_HEADERS: Final[dict[str, str]] = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Server": "leverarm",
}


# --- the token -----------------------------------------------------------------------------------


def digest(token: str) -> str:
    """Give what is stored of a token: its SHA-256, in hex. The token is random, so no salt is needed."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def load_or_make_token(path: Path) -> tuple[str, str | None]:
    """Give the stored digest, and the token itself when it has just been made (it is never to be had again)."""
    try:
        return str(json.loads(path.read_text())["sha256"]), None
    except FileNotFoundError:
        token = secrets.token_urlsafe(24)
        _write_private(path, json.dumps({"sha256": digest(token)}))
        return digest(token), token
    except (ValueError, KeyError, TypeError) as error:
        raise RefuseToStart(f"{path}: not a token file ({error}). Delete it, and a new token is made.") from error


def _write_private(path: Path, text: str) -> None:
    """Write a file that only its owner may read, from its first byte on."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w") as file:
        file.write(text)


# --- the rules -----------------------------------------------------------------------------------


def own_names(configured: str) -> frozenset[str]:
    """Give the host names that are ours: the stand file's, this machine's, and the loopback's."""
    machine = socket.gethostname().lower()
    return frozenset({configured.lower(), "localhost", machine, f"{machine}.local"})


def _is_own_host(host: str, names: frozenset[str]) -> bool:
    """Say whether a Host is ours. A bare address cannot be pointed elsewhere by a name server, so it passes."""
    name = _name_in(host)
    return name in names or _is_address(name)


def _name_in(host: str) -> str:
    """Give the host name without its port, or nothing when it is malformed."""
    try:
        return (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return ""


def _is_address(name: str) -> bool:
    """Say whether this is an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _from_another_site(request: web.Request) -> bool:
    """Say whether a browser sent this on behalf of another site's page; programs send neither header."""
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        return True
    origin = request.headers.get("Origin")
    return origin is not None and urlsplit(origin).netloc.lower() != request.headers["Host"].lower()


def check_token(request: web.Request) -> None:
    """Raise the problem when there is no token, or another; compared in constant time."""
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise ApiProblem("no-token", f"{request.method} {request.path}")
    if not hmac.compare_digest(digest(token.strip()), request.app[TOKEN_SHA256]):
        raise ApiProblem("wrong-token", f"{request.method} {request.path}")


def _check(request: web.Request, may: May) -> None:
    """Raise the problem that speaks against this request, if any does."""
    if may is May.ANYONE_ALWAYS:
        return
    if not _is_own_host(request.headers.get("Host", ""), request.app[ALLOWED_HOSTS]):
        raise ApiProblem("wrong-host", f"Host {request.headers.get('Host')!r}")
    if may is May.HOLDER and _from_another_site(request):
        raise ApiProblem("wrong-origin", f"Origin {request.headers.get('Origin')!r}")
    if may is May.HOLDER:
        check_token(request)


def rule_for(request: web.Request) -> May:
    """Give the rule for a request; what no route matches gets the reader's rule, then its 404 or 405."""
    resource = request.match_info.route.resource
    return WHO_MAY[f"{request.method} {resource.canonical}"] if resource else May.READER


@web.middleware
async def access(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Let a request pass only by its route's rule."""
    _check(request, rule_for(request))
    return await handler(request)


async def add_security_headers(_request: web.Request, response: web.StreamResponse) -> None:
    """Put the security headers on every response, errors and streams included (a signal, not a middleware)."""
    response.headers.update(SECURITY_HEADERS)
