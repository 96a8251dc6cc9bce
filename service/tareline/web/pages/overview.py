"""The pages: every number comes from the queries that the API uses, every form ends in one call of the service.

A page is complete without JavaScript. A form that is refused comes back with what was typed, the message beside its
field and the focus on it (WCAG 2.2, 3.3.1). One that is accepted answers 303 to the week, where a fixed sentence
confirms it.
"""

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TypeVar

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app import repository
from tareline.app.answers.alerts import AlertAnswer
from tareline.app.answers.days import DayAnswer
from tareline.app.answers.entries import EntryDetailAnswer
from tareline.app.answers.lines import LineAnswer
from tareline.app.answers.things import FoodAnswer, KitAnswer, WaterAnswer
from tareline.app.queries.books import WeekAnswer
from tareline.app.queries.tanks import OverviewAnswer
from tareline.core.safety.lines import NAMES, WORDS
from tareline.core.units import ANALYTES, CANONICAL, TDS_FACTOR, to_canonical
from tareline.errors import FieldError
from tareline.service import Service
from tareline.settings import Show
from tareline.web.api.parameters import EntryId
from tareline.web.pages.fault_tree import fault_tree
from tareline.web.pages.forms import (
    BASES,
    DETECTED,
    FORMS,
    NOTE_KINDS,
    SAID,
    complete_reading,
    complete_volume,
    post,
    reading_units,
    volume_units,
)
from tareline.web.pages.rendering import page
from tareline.web.pages.sent import Body, Refusal, Sent, Typed, Wrong, submit
from tareline.web.svg import geometry
from tareline.web.svg.strips import Cell, Limit, Strip, reading_strip
from tareline.web.text.water import Unit, unit_for
from tareline.web.text.words import read_date, unit_text

T = TypeVar("T", KitAnswer, FoodAnswer, WaterAnswer)


def render_login(error: str | None = None) -> HTMLResponse:
    """The page that asks for the token; error is shown beside the field."""
    return page("login.html", 401 if error else 200, error=error, live_tank=None)


def _things(service: Service, kind: str, answers: type[T]) -> list[T]:
    """The kits, foods or source waters that were entered."""
    register = service.context.register
    return [answers.model_validate({"id": ref, **(register.now(kind, ref) or {})}) for ref in register.refs(kind)]


def _glance(service: Service, tank: str) -> OverviewAnswer:
    for row in service.tanks.overview():
        if row.tank.id == tank:
            return row
    raise FieldError("tank", f"expected the name of a tank; found {tank!r}", 404)


@dataclass(frozen=True, slots=True)
class PresentAlerts:
    """The alerts of a tank that have not cleared: the most pressing one, and how many there are."""

    most: AlertAnswer
    count: int


def pressing(alerts: Sequence[AlertAnswer]) -> Mapping[str, PresentAlerts]:
    """The present alerts of each tank that has any.

    alerts: newest first. An alert that nobody has seen comes before a seen one, an urgent one before one that is not.
    """
    present: dict[str, list[AlertAnswer]] = {}
    for alert in alerts:
        if alert.tank is not None and alert.state != "cleared":
            present.setdefault(alert.tank, []).append(alert)
    return {tank: PresentAlerts(max(own, key=_presses), len(own)) for tank, own in present.items()}


def _presses(alert: AlertAnswer) -> tuple[bool, bool, int]:
    order = ("due", "budget", "finding", "device", "feeder", "rising", "line", "hold")
    return alert.state == "open", alert.urgent, order.index(alert.kind)


def _week_page(
    service: Service, tank: str, start: date | None, said: str, what: str = "", typed: Typed | None = None,
    wrong: Typed | None = None, status: int = 200,
) -> HTMLResponse:  # fmt: skip
    glance = _glance(service, tank)
    week = service.books.week(tank, start)
    first = date.fromisoformat(week.start)
    lines = [LineAnswer.of(line) for line in repository.lines(service.context, tank)]
    return page(
        "week.html",
        status,
        week=week,
        glance=glance,
        strips=_strips(week, lines, service.settings.show),
        show=service.settings.show,
        alerts=pressing(service.alerts.list()).get(tank),
        before=first - timedelta(days=7),
        after=None if _not_over(week.days[-1]) else first + timedelta(days=7),
        said=SAID.get(said),
        about=_spoken_of(service, week),
        what=what,
        typed=typed or {},
        wrong=wrong or {},
        ref=secrets.token_urlsafe(12),
        now=_now(service),
        live_tank=tank,
        **({"source": f"/tanks/{tank}"} if what else {}),
    )


def _spoken_of(service: Service, week: WeekAnswer) -> dict[int, EntryDetailAnswer]:
    """The entries that a week's findings and revisions speak about."""
    numbers: set[int | None] = {number for revision in week.revisions for number in revision.entries}
    for finding in week.findings:
        numbers |= {finding.after, finding.before, None if finding.mend is None else finding.mend.corrects}
    return {number: service.ledger.entry(number) for number in numbers if number is not None}


def _not_over(day: DayAnswer) -> bool:
    return "future" in day.flags or "today" in day.flags


def _strips(week: WeekAnswer, lines: Sequence[LineAnswer], show: Show) -> list[tuple[str, Unit, Strip]]:
    """A strip per analyte, in the order of the analytes, in the unit that its newest reading was stated in."""
    strips = []
    cells = [Cell(day.start, day.end) for day in week.days]
    tds_factor = week.tank.tds_factor or TDS_FACTOR
    for analyte in ANALYTES:
        own = [reading for reading in week.readings if reading.analyte == analyte]
        if own:
            unit = unit_for(analyte, own, show, tds_factor)
            limits = [_limit(line, unit) for line in lines if line.analyte == analyte]
            from_zero = CANONICAL[analyte].unit == "mg/L"
            strips.append((analyte, unit, reading_strip([unit.reading(r) for r in own], cells, limits, from_zero)))
    return strips


def _limit(line: LineAnswer, unit: Unit) -> Limit:
    limit = line.above if line.above is not None else line.below
    assert limit is not None
    canonical = to_canonical(line.analyte, limit, line.unit, line.basis)
    return Limit(unit.value(canonical), WORDS[line.do].split()[0], line.do)


def _kit_text(kit: KitAnswer) -> str:
    if kit.steps is None:
        return f"{kit.name}: to {kit.resolution:g} {_unit_of(kit)}".rstrip()
    return f"{kit.name}: {', '.join(f'{step:g}' for step in kit.steps)} {_unit_of(kit)}".rstrip()


def _unit_of(kit: KitAnswer) -> str:
    return unit_text(kit.unit, kit.basis)


def _analyte_text(analyte: str, show: Show) -> str:
    unit = unit_text(show.temperature if analyte == "temperature" else CANONICAL[analyte].unit)
    return f"{NAMES[analyte]}, {unit}" if unit else NAMES[analyte]


def _enter_page(service: Service, tank: str, what: str, typed: Typed, wrong: Typed, status: int = 200) -> HTMLResponse:
    glance = _glance(service, tank)
    show = service.settings.show
    return page(
        "enter.html",
        status,
        glance=glance,
        fed=service.books.fed_today(tank),
        feeders=[("", "choose"), *((h.feeder, h.feeder) for h in glance.hoppers)],
        kits=[("", "none of these"), *((k.id, _kit_text(k)) for k in _things(service, "kit", KitAnswer))],
        analytes=[("", "as the kit says"), *((a, _analyte_text(a, show)) for a in ANALYTES)],
        bases=BASES,
        units=reading_units(),
        detected=DETECTED,
        volume_units=volume_units(show),
        foods=[("", "as before"), *((f.id, f.name) for f in _things(service, "food", FoodAnswer))],
        waters=[("", "not said"), *((w.id, w.name) for w in _things(service, "water", WaterAnswer))],
        note_kinds=[("", "choose"), *((kind, kind) for kind in NOTE_KINDS)],
        what=what,
        typed=typed,
        wrong=wrong,
        ref=secrets.token_urlsafe(12),
        now=_now(service),
        live_tank=tank,
        source=f"/tanks/{tank}/enter",
    )


def _now(service: Service) -> datetime:
    return datetime.fromtimestamp(service.context.stamp_ms() / 1000, UTC)


def router(service: Service) -> APIRouter:
    """The pages over a service. Endpoints are plain functions: they run in the thread pool, since views read a file."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @pages.get("/")
    def overview() -> Response:
        rows = service.tanks.overview()
        top_g = max((geometry.day_top_g(row.today) for row in rows), default=1.0)
        return page(
            "overview.html",
            rows=rows,
            alerts=pressing(service.alerts.list()),
            top_g=top_g,
            show=service.settings.show,
            now=_now(service),
            live_tank="",
        )

    @pages.get("/tanks/{tank}")
    def week(tank: str, start: str = "", said: str = "") -> Response:
        return _week_page(service, tank, read_date("start", start), said)

    @pages.get("/tanks/{tank}/doses/{entry}")
    def dose(tank: str, entry: EntryId) -> Response:
        glance = _glance(service, tank)
        found = service.ledger.entry(entry)
        if found.kind not in ("dose", "gap") or found.tank != tank:
            raise FieldError("entry", f"expected a dose of this tank; entry {entry} is none", 404)
        return page(
            "dose.html",
            tank=glance.tank,
            dose=found,
            corrections=[service.ledger.entry(other) for other in found.corrected_by],
            show=service.settings.show,
            live_tank=None,
        )

    @pages.get("/tanks/{tank}/enter")
    def enter(tank: str) -> Response:
        return _enter_page(service, tank, "", {}, {})

    @pages.get("/rejects")
    def rejects() -> Response:
        return page("rejects.html", rejects=service.ledger.rejects(), now=_now(service), live_tank="")

    @pages.get("/devices")
    def devices() -> Response:
        return page("devices.html", devices=service.devices.all(), now=_now(service), live_tank="")

    @pages.get("/faults")
    def faults() -> Response:
        return page("faults.html", tree=fault_tree(), live_tank=None)

    _take_forms(pages, service)
    return pages


def _take_forms(pages: APIRouter, service: Service) -> None:  # noqa: C901 - many small functions, one for each address
    """The addresses that forms are posted to."""

    def complete(what: str) -> Callable[[Body, Wrong], None] | None:
        """Add to a form's body what follows from what was typed."""
        if what == "reading":
            kits, show = _things(service, "kit", KitAnswer), service.settings.show
            return lambda body, wrong: complete_reading(body, kits, show, wrong)
        return complete_volume if what in ("waterchange", "topup") else None

    @pages.post("/tanks/{tank}/enter/{what}")
    def entered(tank: str, what: str, sent: Sent) -> Response:
        if what not in FORMS or what in ("hold", "release", "finding"):
            raise FieldError("what", f"expected one of the forms; found {what!r}", 404)
        glance = _glance(service, tank)

        def enter(body: Body) -> Response:
            post(service, what, tank, body, glance.hoppers)
            return RedirectResponse(f"/tanks/{tank}?said={sent['hung'] if what == 'hopper' else what}", 303)

        found = submit(FORMS[what], sent, glance.tank.timezone, enter, complete(what))
        if isinstance(found, Refusal):
            return _enter_page(service, tank, what, sent, found.wrong, found.status)
        return found

    def held_or_released(tank: str, what: str, sent: Typed) -> Response:
        def enter(body: Body) -> Response:
            post(service, what, tank, body, ())
            return RedirectResponse(f"/tanks/{tank}?said={what}", 303)

        found = submit(FORMS[what], sent, service.context.zone(tank), enter)
        if isinstance(found, Refusal):
            return _week_page(service, tank, None, "", what, sent, found.wrong, found.status)
        return found

    @pages.post("/tanks/{tank}/findings/{finding}")
    def decided(tank: str, finding: str, sent: Sent) -> Response:
        start = read_date("start", sent.get("start", ""))
        week = service.books.week(tank, start)

        def enter(body: Body) -> Response:
            try:
                service.bookkeeping.decide(finding, body)
            except FieldError as error:
                if error.field != "finding":
                    raise
                return _week_page(service, tank, start, "", finding, sent, {"": error.message}, error.status)
            return RedirectResponse(f"/tanks/{tank}?start={week.start}&said={body['decision']}", 303)

        found = submit(FORMS["finding"], sent, week.tank.timezone, enter)
        if isinstance(found, Refusal):
            return _week_page(service, tank, start, "", finding, sent, found.wrong, found.status)
        return found

    @pages.post("/tanks/{tank}/hold")
    def held(tank: str, sent: Sent) -> Response:
        return held_or_released(tank, "hold", sent)

    @pages.post("/tanks/{tank}/release")
    def released(tank: str, sent: Sent) -> Response:
        return held_or_released(tank, "release", sent)
