"""The application: API, pages, health, and who may call."""

from typing import Any

from fastapi import FastAPI, Form, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles

from tareline import __version__
from tareline.metrics import CONTENT_TYPE_LATEST
from tareline.resources import dashboards_dir
from tareline.service import Service
from tareline.web import problems
from tareline.web.access import COOKIE, Guard, token_fits
from tareline.web.api import alerts as alert_calls
from tareline.web.api import entries, feeding, looking, things
from tareline.web.api import load as load_calls
from tareline.web.api import ramp as ramp_calls
from tareline.web.api import series as series_calls
from tareline.web.api import updates as update_calls
from tareline.web.events import Hub
from tareline.web.pages import absence, alerts, overview, ramp, report, water
from tareline.web.pages import load as loads

FAILING_S = 60.0  # a single failure is tried again within seconds


def make_app(service: Service, hub: Hub) -> FastAPI:
    """The web application of a service; changes reach open pages through the hub."""
    app = FastAPI(title="Tareline", version=__version__, docs_url=None, redoc_url=None)
    problems.register(app)
    app.add_middleware(Guard, http=service.settings.http)
    for part in ("styles", "scripts"):
        app.mount(f"/static/{part}", StaticFiles(directory=dashboards_dir() / part), name=part)
    app.include_router(things.router(service))
    app.include_router(feeding.router(service))
    app.include_router(entries.router(service))
    app.include_router(looking.router(service, hub))
    app.include_router(series_calls.router(service))
    app.include_router(update_calls.router(service))
    app.include_router(alert_calls.router(service))
    app.include_router(ramp_calls.router(service))
    app.include_router(load_calls.router(service))
    app.include_router(overview.router(service))
    app.include_router(absence.pages(service))
    app.include_router(report.router(service))
    app.include_router(water.router(service))
    app.include_router(alerts.router(service))
    app.include_router(ramp.pages(service))
    app.include_router(loads.pages(service))
    service.context.listen(hub.publish)

    @app.get("/healthz", include_in_schema=False)
    def healthz() -> JSONResponse:
        return JSONResponse(health(service), 503 if service.context.store.broken else 200)

    @app.get("/metrics", include_in_schema=False)
    def metrics() -> Response:
        return Response(service.metrics.text(), media_type=CONTENT_TYPE_LATEST)

    @app.get("/login", include_in_schema=False)
    def login() -> Response:
        return overview.render_login()

    @app.post("/login", include_in_schema=False)
    def enter(request: Request, token: str = Form("")) -> Response:
        http = service.settings.http
        if not http.token or not token_fits(http, token):
            return overview.render_login("This is not the token that the service was given.")
        response = RedirectResponse("/", 303)
        response.set_cookie(
            COOKIE, token, max_age=90 * 86_400, httponly=True, samesite="strict", secure=request.url.scheme == "https"
        )
        return response

    return app


def health(service: Service) -> dict[str, Any]:
    """Liveness, with the state of broker, store, clock, the works that are done again and again, and the feeders that
    cannot be told what holds now.

    status: `broken` where the store is, `failing` where a work has failed for longer than a minute or a feeder cannot
    be told, or `ok`.
    """
    broken = service.context.store.broken
    now_ms = service.clock.now_ms()
    states = service.supervisor.states()
    failing = any((state.failing_s or 0.0) > FAILING_S for state in states.values())
    dispatch_faults = service.context.dispatch_faults.faults()
    return {
        "status": "broken" if broken else "failing" if failing or dispatch_faults else "ok",
        "version": __version__,
        "broker": {"connected": service.link.connected.is_set(), "url": _bare(service.settings.broker.url)},
        "store": {"broken": broken, **({} if broken else service.context.store.describe())},
        "clock": {"behind_s": service.context.behind_ms() / 1000},
        "dispatch_faults": {
            name: {"for_s": service.context.waiting_ms(fault.since_ms) / 1000, "error": fault.error}
            for name, fault in dispatch_faults.items()
        },
        "workers": {
            name: {
                "done_s_ago": _seconds_since(state.done_ms, now_ms),
                "failing_for_s": state.failing_s,
                "error": None if state.failing_s is None else state.error,
                "last_error": state.error,
                "last_error_s_ago": _seconds_since(state.failed_ms, now_ms),
                "lag_s": state.lag_s,
            }
            for name, state in states.items()
        },
    }


def _seconds_since(at_ms: int | None, now_ms: int) -> float | None:
    return None if at_ms is None else (now_ms - at_ms) / 1000


def _bare(url: str) -> str:
    """An address without user and password."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"
