"""Who may call: only with the token, where one is set, and never from a page of another site."""

import hmac
import ipaddress
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tareline.settings import Http
from tareline.web.problems import PROTECTIVE_HEADERS, is_for_programs, refusal

COOKIE = "tareline_token"
OPEN_PATHS = ("/login", "/static/", "/healthz")
SAFE = ("GET", "HEAD", "OPTIONS")
LARGEST_BODY = 1024 * 1024


def token_fits(http: Http, given: str) -> bool:
    """Whether a token is the configured one; takes the same time in both cases."""
    return hmac.compare_digest(given.encode(), http.token.encode())


def _given(request: Request) -> str:
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token if scheme.lower() == "bearer" else request.cookies.get(COOKIE, "")


def _named_locally(request: Request) -> bool:
    """Without a token only loopback names are served, so that a foreign name cannot be pointed at this address."""
    try:
        host = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _from_elsewhere(request: Request) -> bool:
    origin = request.headers.get("origin")
    if origin is not None:
        try:
            return urlsplit(origin).netloc != request.headers.get("host")
        except ValueError:
            return True
    return request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin")


class Guard:
    """ASGI middleware that decides who may call, and adds headers that protect pages from other sites."""

    def __init__(self, app: ASGIApp, http: Http) -> None:
        self._app = app
        self._http = http

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in PROTECTIVE_HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        request = Request(scope)
        refused = _refused_body(request) or _refused_origin(self._http, request) or _refused_caller(self._http, request)
        await (refused or self._app)(scope, receive, send_guarded)


def _refused_body(request: Request) -> Response | None:
    if "transfer-encoding" in request.headers:
        return refusal(request, 411, "expected a Content-Length: bodies in chunks are not taken")
    length = request.headers.get("content-length", "0")
    if not length.isdigit() or int(length) > LARGEST_BODY:
        return refusal(request, 413, f"expected a body of at most {LARGEST_BODY} bytes; found {length[:40]}")
    return None


def _refused_origin(http: Http, request: Request) -> Response | None:
    if request.method not in SAFE and _from_elsewhere(request):
        return refusal(request, 403, "a page of another site may not change anything here")
    if not http.token and not _named_locally(request):
        return refusal(request, 403, "expected to be called by a loopback name while no token is set")
    return None


def _refused_caller(http: Http, request: Request) -> Response | None:
    path = request.url.path
    is_open = any(path == one or (one.endswith("/") and path.startswith(one)) for one in OPEN_PATHS)
    if not http.token or is_open or token_fits(http, _given(request)):
        return None
    if is_for_programs(path) or request.method not in SAFE:
        return refusal(
            request,
            401,
            "expected Authorization: Bearer with the token",
            {"WWW-Authenticate": "Bearer"},
            "you are not signed in, so nothing was done; sign in, then go back to the page before and send it again",
        )
    return RedirectResponse("/login", 303)
