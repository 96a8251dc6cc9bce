"""The application: API, pages, health, and who may call."""

from fastapi import FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response
from fastapi.staticfiles import StaticFiles

from tareline import __version__
from tareline.metrics import CONTENT_TYPE_LATEST
from tareline.resources import dashboards_dir
from tareline.service import Service
from tareline.web import problems
from tareline.web.access import COOKIE, Guard, token_fits
from tareline.web.api import alerts as alert_calls
from tareline.web.api import entries, feeding, health, looking, things
from tareline.web.api import load as load_calls
from tareline.web.api import ramp as ramp_calls
from tareline.web.api import series as series_calls
from tareline.web.api import updates as update_calls
from tareline.web.events import Hub
from tareline.web.pages import absence, alerts, overview, ramp, report, water
from tareline.web.pages import load as loads


def make_app(service: Service, hub: Hub) -> FastAPI:
    """The web application of a service; changes reach open pages through the hub."""
    app = FastAPI(title="Tareline", version=__version__, docs_url=None, redoc_url=None)
    problems.register(app)
    app.add_middleware(Guard, http=service.settings.http)
    for part in ("styles", "scripts"):
        app.mount(f"/static/{part}", StaticFiles(directory=dashboards_dir() / part), name=part)
    app.include_router(things.router(service))
    app.include_router(health.router(service))
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
