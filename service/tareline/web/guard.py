"""Who may call: a token where one is set, and in any case no page of another site."""

import hmac
import ipaddress
from collections.abc import Awaitable, Callable
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from tareline.settings import Http
from tareline.web.problems import problem

COOKIE = "tareline_token"
OPEN_PATHS = ("/login", "/static/", "/healthz")
SAFE = ("GET", "HEAD", "OPTIONS")
LARGEST_BODY = 1024 * 1024
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "frame-ancestors 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
}


def token_fits(http: Http, given: str) -> bool:
    """Whether a token is the configured one; takes as long either way."""
    return hmac.compare_digest(given.encode(), http.token.encode())


def _given(request: Request) -> str:
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token if scheme.lower() == "bearer" else request.cookies.get(COOKIE, "")


def _named_locally(request: Request) -> bool:
    """Without a token only loopback names are served, so that a foreign name cannot be pointed at this address."""
    host = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _from_elsewhere(request: Request) -> bool:
    origin = request.headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc != request.headers.get("host")
    return request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin")


def guard(http: Http) -> Callable[[Request, Callable[[Request], Awaitable[Response]]], Awaitable[Response]]:
    """The middleware that decides, and adds the headers that keep pages to themselves."""

    async def decide(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        refused = _refused(http, request)
        response = refused if refused is not None else await call_next(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return decide


def _refused(http: Http, request: Request) -> Response | None:
    length = request.headers.get("content-length", "0")
    if not length.isdigit() or int(length) > LARGEST_BODY:
        return problem(413, f"expected a body of at most {LARGEST_BODY} bytes; found {length}")
    if request.method not in SAFE and _from_elsewhere(request):
        return problem(403, "a page of another site may not change anything here")
    if not http.token:
        return None if _named_locally(request) else problem(403, "expected to be called by a loopback name")
    path = request.url.path
    if any(path == one or (one.endswith("/") and path.startswith(one)) for one in OPEN_PATHS):
        return None
    if token_fits(http, _given(request)):
        return None
    if path.startswith("/api/") or path in ("/metrics", "/openapi.json") or request.method not in SAFE:
        return problem(401, "expected Authorization: Bearer with the token", headers={"WWW-Authenticate": "Bearer"})
    return RedirectResponse("/login", 303)
