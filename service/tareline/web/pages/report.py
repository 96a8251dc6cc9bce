"""A feeder's report as a page that prints, and its doses as CSV (RFC 4180)."""

import csv
import io
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from tareline.app.answers.report import ReportAnswer
from tareline.service import Service
from tareline.web.pages.rendering import page
from tareline.web.text.words import read_date

# One row for each dose, in the order of the ticket; times as RFC 3339, masses in grams to the microgram.
COLUMNS = (
    *("entry", "at", "at_low", "at_high", "feeder", "board", "calibration", "food"),
    *("before_g", "after_g", "net_g", "sd_g", "estimate_g", "estimate_sd_g", "temperature_c"),
    *("cause", "meal", "outcome", "target_g", "steps", "journal", "seq", "count"),
)


def csv_text(report: ReportAnswer) -> str:
    """The doses of a report: a header and a row each, lines ended by CR LF, empty where something is not known."""
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    rows.writerows([_cell(getattr(dose, name)) for name in COLUMNS] for dose in report.doses)
    return out.getvalue()


def _cell(value: Any) -> Any:
    """A number with no more digits than the wire has, since differences of floats can have more."""
    return f"{value:.6f}".rstrip("0").rstrip(".") if isinstance(value, float) else value


def router(service: Service) -> APIRouter:
    """The pages over a service's reports."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    def found(feeder: str, start: str, end: str) -> ReportAnswer:
        return service.reports.report(feeder, read_date("start", start), read_date("end", end))

    @pages.get("/feeders/{feeder}/report")
    def report(feeder: str, start: str = "", end: str = "") -> Response:
        return page("report.html", report=found(feeder, start, end), show=service.settings.show, live_tank=None)

    @pages.get("/feeders/{feeder}/report.csv")
    def doses(feeder: str, start: str = "", end: str = "") -> Response:
        told = found(feeder, start, end)
        name = f"{feeder}-{told.period.start}-{told.period.end}.csv"
        headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
        return Response(csv_text(told), headers=headers, media_type="text/csv; charset=utf-8; header=present")

    return pages
