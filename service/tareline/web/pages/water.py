"""The page of a tank's water: every analyte over 26 weeks between its lines, and what follows from it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from tareline.app.answers.water import (
    ActingLine,
    AnalyteHalfYear,
    GuideAnswer,
    HalfYearAnswer,
    MeanAnswer,
    MonthAnswer,
    NewestReadingAnswer,
    ReadingAnswer,
    TankWaterAnswer,
    TrendAnswer,
)
from tareline.app.queries.common import tank_view
from tareline.core.safety.lines import NAMES, WORDS
from tareline.core.units import TDS_FACTOR
from tareline.service import Service
from tareline.settings import Show
from tareline.web.pages.rendering import page
from tareline.web.svg.strips import Cell, Limit, Strip, reach_of, reading_strip
from tareline.web.text import water as words
from tareline.web.text.water import Unit, unit_for

ROOM = timedelta(days=10)  # a shorter piece of a month has no room for its name


def router(service: Service) -> APIRouter:
    """The page over a service."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @pages.get("/tanks/{tank}/water")
    def water(tank: str) -> Response:
        found, half_year = service.waters.water(tank), service.waters.half_year(tank)
        show = service.settings.show
        body = tank_view(service.context, tank)
        factor = body.tds_factor or TDS_FACTOR
        return page(
            "water.html",
            tank=body,
            water=found,
            half_year=half_year,
            parts_of=[_part(one, half_year, found, show, factor) for one in half_year.analytes],
            summary=words.summary(found.trends),
            balances=[
                ("Salt", words.salt_text(found.balances.salt)),
                ("Nitrogen", words.nitrogen_text(found.balances.nitrogen)),
                ("Carbonate hardness", words.hardness_text(found.balances.hardness)),
            ],
            offset_text=words.offset_text,
            show=show,
            now=datetime.fromtimestamp(service.context.stamp_ms() / 1000, UTC),
            live_tank=tank,
        )

    return pages


@dataclass(frozen=True, slots=True)
class Part:
    """One analyte on the page: its strip, the rows of its tables in the unit that the strip is drawn in, and its trend
    in words. readings: as they were stated. lines, guides: each with its limit in that unit."""

    analyte: str
    unit: Unit
    strip: Strip
    label: str
    readings: Sequence[ReadingAnswer]
    days: Sequence[MeanAnswer]
    lines: Sequence[tuple[float, ActingLine]]
    guides: Sequence[tuple[float, GuideAnswer]]
    newest: NewestReadingAnswer | None
    trend: TrendAnswer | None
    goes: tuple[str, str] | None


def _part(
    one: AnalyteHalfYear, half_year: HalfYearAnswer, found: TankWaterAnswer, show: Show, tds_factor: float
) -> Part:
    unit = unit_for(one.analyte, one.readings, show, tds_factor)
    readings, days = [unit.reading(r) for r in one.readings], [unit.mean(d) for d in one.days]
    lines = [(unit.value(line.canonical), line) for line in one.lines]
    guides = [(unit.value(guide.limit), guide) for guide in one.guides]
    limits = [Limit(value, WORDS[line.do].split()[0], line.do) for value, line in lines]
    limits += [Limit(value, guide.what.split(",")[0], "guide") for value, guide in guides]
    strip = reading_strip(readings, [_cell(m) for m in half_year.months], limits, one.unit == "mg/L", days, tall=True)
    trend = found.trends.get(one.analyte)
    return Part(
        analyte=one.analyte,
        unit=unit,
        strip=strip,
        label=_label(one.analyte, readings, days, unit),
        readings=one.readings,
        days=days,
        lines=lines,
        guides=guides,
        newest=found.latest.get(one.analyte),
        trend=trend,
        goes=None if trend is None else words.trend_text(trend, unit),
    )


def _cell(month: MonthAnswer) -> Cell:
    start, end = datetime.fromisoformat(month.start), datetime.fromisoformat(month.end)
    return Cell(month.start, month.end, f"{start:%b}" if end - start >= ROOM else "")


def _label(analyte: str, readings: Sequence[ReadingAnswer], days: Sequence[MeanAnswer], unit: Unit) -> str:
    """A strip in one sentence: how much of what it shows, and between which values."""
    seen = reach_of(readings, days)
    counted = [
        f"{len(rows)} {word}{'' if len(rows) == 1 else 's'}"
        for rows, word in ((readings, "reading"), (days, "daily mean"))
        if rows
    ]
    reach = f"{min(seen):.3g} to {max(seen):.3g} {unit.text}".rstrip()
    return f"{NAMES[analyte]} over 26 weeks: {' and '.join(counted)}, {reach}"
