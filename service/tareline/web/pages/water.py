"""The page of a tank's water: every analyte over 26 weeks between its lines, and what follows from it."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from tareline.core.safety.lines import NAMES, WORDS
from tareline.core.units import TDS_FACTOR
from tareline.service import Service
from tareline.settings import Show
from tareline.web.pages.rendering import page
from tareline.web.svg.strips import Limit, reading_strip
from tareline.web.text import water as words
from tareline.web.text.water import Unit, unit_for

Row = Mapping[str, Any]
ROOM = timedelta(days=10)  # a shorter piece of a month has no room for its name


def router(service: Service) -> APIRouter:
    """The page over a service."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @pages.get("/tanks/{tank}/water")
    def water(tank: str) -> Response:
        found, half_year = service.waters.water(tank), service.waters.half_year(tank)
        show = service.settings.show
        body = {**service.context.need("tank", tank), "id": tank}
        factor = body.get("tds_factor") or TDS_FACTOR
        return page(
            "water.html",
            tank=body,
            water=found,
            half_year=half_year,
            parts_of=[_part(one, half_year, found, show, factor) for one in half_year["analytes"]],
            summary=words.summary(found["trends"]),
            balances=[
                ("Salt", words.salt_text(found["balances"].salt)),
                ("Nitrogen", words.nitrogen_text(found["balances"].nitrogen)),
                ("Carbonate hardness", words.hardness_text(found["balances"].hardness)),
            ],
            offset_text=words.offset_text,
            show=show,
            now=datetime.fromtimestamp(service.context.stamp_ms() / 1000, UTC),
            live_tank=tank,
        )

    return pages


def _part(one: Row, half_year: Row, found: Row, show: Show, tds_factor: float) -> dict[str, Any]:
    """One analyte: its strip, the rows of its tables in the unit that the strip is drawn in, and its trend in words."""
    analyte = one["analyte"]
    unit = unit_for(analyte, one["readings"], show, tds_factor)
    readings, days = [unit.row(r) for r in one["readings"]], [unit.row(d) for d in one["days"]]
    limits = [Limit(unit.value(line["canonical"]), WORDS[line["do"]].split()[0], line["do"]) for line in one["lines"]]
    limits += [Limit(unit.value(g["limit"]), g["what"].split(",")[0], "guide") for g in one["guides"]]
    cells = [{**m, "name": f"{datetime.fromisoformat(m['start']):%b}"} for m in half_year["months"]]
    for cell in cells:
        if datetime.fromisoformat(cell["end"]) - datetime.fromisoformat(cell["start"]) < ROOM:
            cell["name"] = ""
    strip = reading_strip(readings, cells, limits, one["unit"] == "mg/L", days, tall=True)
    trend = found["trends"].get(analyte)
    return {
        "analyte": analyte,
        "unit": unit,
        "strip": strip,
        "label": _label(analyte, readings, days, unit),
        "readings": one["readings"],
        "days": days,
        "lines": [{**line, "value": unit.value(line["canonical"])} for line in one["lines"]],
        "guides": [{**g, "value": unit.value(g["limit"])} for g in one["guides"]],
        "newest": found["latest"].get(analyte),
        "trend": trend,
        "goes": None if trend is None else words.trend_text(trend, unit),
    }


def _label(analyte: str, readings: Sequence[Row], days: Sequence[Row], unit: Unit) -> str:
    """A strip in one sentence: how much of what it shows, and between which values."""
    seen = [v for row in (*readings, *days) for v in (row["low"], row["value"], row["high"]) if v is not None]
    counted = [
        f"{len(rows)} {word}{'' if len(rows) == 1 else 's'}"
        for rows, word in ((readings, "reading"), (days, "daily mean"))
        if rows
    ]
    reach = f"{min(seen):.3g} to {max(seen):.3g} {unit.text}".rstrip()
    return f"{NAMES[analyte]} over 26 weeks: {' and '.join(counted)}, {reach}"
