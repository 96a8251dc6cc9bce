"""The pages: every number comes from `service.views`, every form ends in one call of the service.

A page is complete without JavaScript. A form that is refused comes back with what was typed, the message beside its
field and the focus on it (WCAG 2.2, 3.3.1); one that is taken answers 303 to the week, which says so in fixed words.
"""

import hashlib
import math
import re
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Annotated, Any
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tareline.entries import lines_view
from tareline.errors import FieldError
from tareline.guard.lines import NAMES, WORDS
from tareline.resources import dashboards_dir
from tareline.service import Service
from tareline.units import ANALYTES, CANONICAL, bases, from_canonical, to_canonical
from tareline.web import drawing

Row = Mapping[str, Any]
Typed = Mapping[str, str]

FORM_BYTES = 64 * 1024
SAID = {
    "reading": "The reading is in the books.",
    "weighin": "The weigh-in is in the books.",
    "refill": "The refill is in the books.",
    "handfeed": "The hand feed is in the books.",
    "waterchange": "The water change is in the books.",
    "note": "The note is in the books.",
    "hold": "The hold is in the books; the feeders were asked to stop.",
    "release": "The release is in the books; the feeders were told.",
}
BASES = (
    ("", "as the kit says, or no nitrogen"),
    ("N", "as N"),
    ("ion", "as the ion: NO₃, NO₂, NH₄"),
    ("NH3", "as NH₃"),
)
NOTE_KINDS = ("stocking", "loss", "plants", "harvest", "filter", "medication", "sensor", "other")


@dataclass(frozen=True, slots=True)
class Form:
    """What a form sends: its fields in the order of the page, which of them are numbers, which may not be empty."""

    fields: tuple[str, ...]
    numbers: frozenset[str] = frozenset()
    whole: frozenset[str] = frozenset()
    required: frozenset[str] = frozenset()


FORMS = {
    "reading": Form(
        ("kit", "analyte", "value", "basis", "below", "above", "at", "by"),
        numbers=frozenset({"value", "below", "above"}),
        required=frozenset({"value"}),
    ),
    "weighin": Form(
        ("feeder", "mass_g", "sd_g", "at", "by"),
        numbers=frozenset({"mass_g", "sd_g"}),
        required=frozenset({"feeder", "mass_g"}),
    ),
    "refill": Form(
        ("feeder", "added_g", "before_g", "after_g", "food", "at", "by"),
        numbers=frozenset({"added_g", "before_g", "after_g"}),
        required=frozenset({"feeder"}),
    ),
    "handfeed": Form(
        ("mass_g", "sd_g", "food", "at", "by"),
        numbers=frozenset({"mass_g", "sd_g"}),
        required=frozenset({"mass_g"}),
    ),
    "waterchange": Form(
        ("volume_l", "water", "at", "by"), numbers=frozenset({"volume_l"}), required=frozenset({"volume_l"})
    ),
    "note": Form(
        ("kind", "text", "mass_g", "count", "at", "by"),
        numbers=frozenset({"mass_g"}),
        whole=frozenset({"count"}),
        required=frozenset({"kind", "text"}),
    ),
    "hold": Form(("reason", "by"), required=frozenset({"reason"})),
    "release": Form(("note", "by"), required=frozenset({"note"})),
}


def read_number(field: str, text: str) -> float:
    """A number as people type it: a single comma is a decimal point, unless it could as well group thousands.

    Raises FieldError: "1,000" might mean 1 or 1000, and a tank's dose hangs on it.
    """
    plain = text.replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"-?[1-9]\d{0,2},\d{3}", plain):
        raise FieldError(field, f"expected a decimal point; {text} could mean {plain.replace(',', '.')} as well as "
                                f"{plain.replace(',', '')}")  # fmt: skip
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", plain, re.ASCII):
        raise FieldError(field, f"expected a number such as 0.25; found {text[:40]!r}")
    return float(plain.replace(",", "."))


def read_whole(field: str, text: str) -> int:
    """A count. Raises FieldError."""
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise FieldError(field, f"expected a whole number; found {text[:40]!r}")
    return int(text)


def read_date(field: str, text: str) -> date | None:
    """An ISO date, None for an empty text. Raises FieldError."""
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise FieldError(field, f"expected a date such as 2026-03-01; found {text[:40]!r}") from None


def read_local_time(field: str, text: str, zone: str) -> str:
    """A tank's local time ("2026-03-01T08:00") as RFC 3339, the first where it happens twice. Raises FieldError."""
    try:
        naive = datetime.fromisoformat(text).replace(tzinfo=None)
        local = naive.replace(tzinfo=ZoneInfo(zone))
        exists = local.astimezone(UTC).astimezone(local.tzinfo).replace(tzinfo=None) == naive
    except (ValueError, OverflowError):
        raise FieldError(field, f"expected a date and time; found {text[:40]!r}") from None
    if not exists:
        raise FieldError(field, f"expected a time that exists; the clocks skipped {naive:%H:%M} on that day")
    return local.isoformat()


def decimals_for(sd: float | None) -> int:
    """Decimals that leave a standard deviation two significant digits (JCGM 100:2008, 7.2.6); 2 where there is none."""
    if sd is None or sd <= 0:
        return 2
    # Rounded first: 0.0996 is written 0.10, not 0.100.
    return min(6, max(0, 1 - math.floor(math.log10(float(f"{sd:.1e}")))))


def _figure(value: float | None, decimals: int) -> Markup:
    """A number for a column: the decimals in a box of fixed width, so that points stand under each other."""
    if value is None:
        return Markup('<span class="unknown">not known</span>')
    whole, _, fraction = f"{value:.{decimals}f}".partition(".")
    return Markup('{}<span class="fraction">{}</span>').format(whole, "." + fraction if fraction else "")


def _grams(value: float | None, sd: float | None) -> str:
    """A mass in running text."""
    return "not known" if value is None else f"{value:.{decimals_for(sd)}f} g"


def _clock(at: str) -> str:
    return f"{datetime.fromisoformat(at):%H:%M}"


def _moment(at: str) -> str:
    return f"{datetime.fromisoformat(at):%a %-d %b %H:%M}"


def _long(at: str) -> str:
    return f"{datetime.fromisoformat(at):%Y-%m-%d %H:%M:%S %z}"


def _age(at: str, now: datetime) -> str:
    """How long ago in the largest whole unit that is not zero."""
    seconds = (now - datetime.fromisoformat(at)).total_seconds()
    for length, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= length:
            return f"{seconds // length:.0f} {unit} ago"
    return "just now" if seconds > -60 else "in the future"


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _unit(row: Row) -> str:
    """A value's unit and basis as they are written after the number."""
    unit = {"1": "", "degC": "°C", "Cel": "°C"}.get(row["unit"], row["unit"])
    basis = {"N": "as N", "ion": "as ion", "NH3": "as NH₃"}.get(row.get("basis") or "", "")
    return " ".join(part for part in (unit, basis) if part)


def _interval(row: Row) -> str:
    """What a kit could tell apart; empty where a value stands for itself."""
    low, high = row["low"], row["high"]
    if (low is None and high is None) or low == high:
        return ""
    if high is None:
        return f"at least {low:g}"
    return f"at most {high:g}" if low is None else f"{low:g} to {high:g}"


FILTERS: dict[str, Callable[..., object]] = {
    "figure": _figure,
    "grams": _grams,
    "decimals": decimals_for,
    "clock": _clock,
    "moment": _moment,
    "long": _long,
    "age": _age,
    "duration": _duration,
    "unit": _unit,
    "interval": _interval,
    "day": lambda text: f"{date.fromisoformat(text):%a %-d %b}",
    "short_day": lambda text: f"{date.fromisoformat(text):%a %-d}",
    "full_day": lambda text: f"{date.fromisoformat(text):%-d %B %Y}",
}


@lru_cache(maxsize=1)
def _templates() -> Environment:
    env = Environment(
        loader=FileSystemLoader(dashboards_dir() / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters |= FILTERS
    env.globals |= {
        "names": NAMES,
        "does": WORDS,
        "week_chart": drawing.week_chart,
        "day_bar": drawing.day_bar,
        "sparkline": drawing.sparkline,
    }
    return env


def _page(name: str, status: int = 200, **context: Any) -> HTMLResponse:
    html = _templates().get_template(name).render(**context)
    # A page that a browser kept would show an old hold as if it were the present one.
    return HTMLResponse(html, status, {"Cache-Control": "no-store"})


def render_login(request: Request, error: str | None = None) -> HTMLResponse:
    """The page that asks for the token; error is shown beside the field."""
    return _page("login.html", 401 if error else 200, error=error, live_tank=None)


async def _form(request: Request) -> dict[str, str]:
    """A posted form's fields; refused when larger than any person types."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > FORM_BYTES:
            raise HTTPException(413, f"expected a form of at most {FORM_BYTES} bytes")
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=40)
    except ValueError:
        raise HTTPException(422, "expected a form in UTF-8 with at most 40 fields") from None
    return {name: value.strip() for name, value in pairs}


Sent = Annotated[dict[str, str], Depends(_form)]


def read_form(form: Form, sent: Typed, zone: str) -> tuple[dict[str, Any], dict[str, str]]:
    """The body for the service, and a message for each field that could not be read.

    Empty fields are left out; an empty date and time thereby means now, a given one is local time in `zone`.
    """
    body: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for field in form.fields:
        text = sent.get(field, "")
        try:
            if not text:
                if field in form.required:
                    raise FieldError(field, "expected something here; found nothing")
            elif field in form.numbers:
                body[field] = read_number(field, text)
            elif field in form.whole:
                body[field] = read_whole(field, text)
            elif field == "at":
                body[field] = read_local_time(field, text, zone)
            else:
                body[field] = text
        except FieldError as error:
            wrong[field] = error.message
    if sent.get("client_ref"):
        # The same form sent twice is one entry; a form that was changed and sent again is another.
        said = "\n".join(sent.get(field, "") for field in form.fields)
        body["client_ref"] = f"{sent['client_ref'][:64]}-{hashlib.sha256(said.encode()).hexdigest()[:16]}"
    return body, wrong


def _complete_reading(body: dict[str, Any], kits: Sequence[Row], wrong: dict[str, str]) -> None:
    """Fill in what follows from the choice: with a kit its analyte, without one the analyte's unit."""
    if "kit" in body:
        kit = next((k for k in kits if k["id"] == body["kit"]), None)
        if kit is None:
            wrong["kit"] = f"expected one of the kits in the list; found {body['kit'][:40]!r}"
        else:
            body.setdefault("analyte", kit["analyte"])
    elif "analyte" not in body:
        wrong["analyte"] = "expected a kit or an analyte; found neither"
    elif body["analyte"] in CANONICAL:
        body["unit"] = CANONICAL[body["analyte"]].unit
        if bases(body["analyte"]) and "basis" not in body:
            wrong["basis"] = "expected how the nitrogen is stated: as N, as the ion or as NH₃"


def _things(service: Service, kind: str) -> list[Row]:
    """The kits, foods or source waters that were told of."""
    register = service.context.register
    return [{**(register.now(kind, ref) or {}), "id": ref} for ref in register.refs(kind)]


def _glance(service: Service, tank: str) -> Row:
    for row in service.views.overview():
        if row["tank"]["id"] == tank:
            return row
    raise FieldError("tank", f"expected the name of a tank; found {tank!r}", 404)


def _post(service: Service, what: str, tank: str, body: dict[str, Any], hoppers: Sequence[Row]) -> None:
    if what in ("weighin", "refill"):
        feeder = body.pop("feeder")
        if feeder not in [hopper["feeder"] for hopper in hoppers]:
            raise FieldError("feeder", f"expected one of this tank's feeders; found {feeder!r}", 404)
        (service.add_weighin if what == "weighin" else service.add_refill)(feeder, body)
        return
    calls: dict[str, Callable[[str, dict[str, Any]], Row]] = {
        "reading": service.add_reading,
        "handfeed": service.add_handfeed,
        "waterchange": service.add_water_change,
        "note": service.add_note,
        "hold": service.hold,
        "release": service.release,
    }
    calls[what](tank, body)


def _refused(what: str, wrong: dict[str, str], error: FieldError) -> None:
    """Put the service's message beside its field; one that no field of the form carries belongs to the whole form."""
    field = {"unit": "analyte"}.get(error.field, error.field)
    wrong[field if field in FORMS[what].fields else ""] = error.message


def _week_page(
    service: Service, tank: str, start: date | None, said: str, what: str = "", typed: Typed | None = None,
    wrong: Typed | None = None, status: int = 200,
) -> HTMLResponse:  # fmt: skip
    glance = _glance(service, tank)
    week = service.views.week(tank, start)
    first = date.fromisoformat(week["start"])
    return _page(
        "week.html",
        status,
        week=week,
        glance=glance,
        strips=_strips(week, lines_view(service.context, tank)),
        before=first - timedelta(days=7),
        after=None if _not_over(week["days"][-1]) else first + timedelta(days=7),
        said=SAID.get(said),
        what=what,
        typed=typed or {},
        wrong=wrong or {},
        ref=secrets.token_urlsafe(12),
        now=_now(service),
        live_tank=tank,
        **({"source": f"/tanks/{tank}"} if what else {}),
    )


def _not_over(day: Row) -> bool:
    return "future" in day["flags"] or "today" in day["flags"]


def _strips(week: Row, lines: Sequence[Row]) -> list[tuple[Row, drawing.Strip]]:
    """A strip per analyte, unit and basis in the order of the analytes: values stated differently share no axis."""
    groups: dict[tuple[int, str, str], list[Row]] = {}
    for reading in week["readings"]:
        key = (ANALYTES.index(reading["analyte"]), reading["unit"], reading["basis"] or "")
        groups.setdefault(key, []).append(reading)
    strips = []
    for _, group in sorted(groups.items()):
        first = group[0]
        marks = [_line(line, first["basis"]) for line in lines if line["analyte"] == first["analyte"]]
        strips.append((first, drawing.reading_strip(group, week["days"], marks, first["unit"] == "mg/L")))
    return strips


def _line(line: Row, basis: str | None) -> tuple[float, str, str]:
    """A line's limit on the basis that a strip's readings are stated on, its label, and what it does."""
    limit = line["above"] if line["above"] is not None else line["below"]
    canonical = to_canonical(line["analyte"], limit, line["unit"], line["basis"])
    own = from_canonical(line["analyte"], canonical, basis)
    return own, f"{own:.2g} {WORDS[line['do']].split()[0]}", line["do"]


def _kit_text(kit: Row) -> str:
    return f"{kit['name']}: {', '.join(f'{step:g}' for step in kit['steps'])} {_unit(kit)}".rstrip()


def _analyte_text(analyte: str) -> str:
    unit = _unit({"unit": CANONICAL[analyte].unit})
    return f"{NAMES[analyte]}, {unit}" if unit else NAMES[analyte]


def _enter_page(service: Service, tank: str, what: str, typed: Typed, wrong: Typed, status: int = 200) -> HTMLResponse:
    glance = _glance(service, tank)
    return _page(
        "enter.html",
        status,
        glance=glance,
        fed=service.views.fed_today(tank),
        feeders=[("", "choose"), *((h["feeder"], h["feeder"]) for h in glance["hoppers"])],
        kits=[("", "none of these"), *((k["id"], _kit_text(k)) for k in _things(service, "kit"))],
        analytes=[("", "as the kit says"), *((a, _analyte_text(a)) for a in ANALYTES)],
        bases=BASES,
        foods=[("", "as before"), *((f["id"], f["name"]) for f in _things(service, "food"))],
        waters=[("", "not said"), *((w["id"], w["name"]) for w in _things(service, "water"))],
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


def _problem(error: FieldError) -> HTMLResponse:
    return _page("problem.html", error.status, message=error.message, live_tank=None)


def router(service: Service) -> APIRouter:
    """The pages over a service. Endpoints are plain functions: they run in the thread pool, since views read a file."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @pages.get("/")
    def overview() -> Response:
        rows = service.views.overview()
        top_g = max((drawing.day_top_g(row["today"]) for row in rows), default=1.0)
        return _page("overview.html", rows=rows, top_g=top_g, now=_now(service), live_tank="")

    @pages.get("/tanks/{tank}")
    def week(tank: str, start: str = "", said: str = "") -> Response:
        try:
            return _week_page(service, tank, read_date("start", start), said)
        except FieldError as error:
            return _problem(error)

    @pages.get("/tanks/{tank}/doses/{entry}")
    def dose(tank: str, entry: int) -> Response:
        try:
            glance = _glance(service, tank)
            found = service.views.entry(entry)
            if found["kind"] not in ("dose", "gap") or found["tank"] != tank:
                raise FieldError("entry", f"expected a dose of this tank; entry {entry} is none", 404)
            corrections = [service.views.entry(other) for other in found["corrected_by"]]
        except FieldError as error:
            return _problem(error)
        return _page("dose.html", tank=glance["tank"], dose=found, corrections=corrections, live_tank=None)

    @pages.get("/tanks/{tank}/enter")
    def enter(tank: str) -> Response:
        try:
            return _enter_page(service, tank, "", {}, {})
        except FieldError as error:
            return _problem(error)

    @pages.get("/rejects")
    def rejects() -> Response:
        return _page("rejects.html", rejects=service.views.rejects(), now=_now(service), live_tank="")

    @pages.get("/devices")
    def devices() -> Response:
        return _page("devices.html", devices=service.views.devices(), now=_now(service), live_tank="")

    _take_forms(pages, service)
    return pages


def _take_forms(pages: APIRouter, service: Service) -> None:
    """The addresses that forms are posted to."""

    @pages.post("/tanks/{tank}/enter/{what}")
    def entered(tank: str, what: str, sent: Sent) -> Response:
        try:
            if what not in FORMS or what in ("hold", "release"):
                raise FieldError("what", f"expected one of the forms; found {what!r}", 404)
            glance = _glance(service, tank)
        except FieldError as error:
            return _problem(error)
        body, wrong = read_form(FORMS[what], sent, glance["tank"]["timezone"])
        status = 422
        if what == "reading":
            _complete_reading(body, _things(service, "kit"), wrong)
        if not wrong:
            try:
                _post(service, what, tank, body, glance["hoppers"])
                return RedirectResponse(f"/tanks/{tank}?said={what}", 303)
            except FieldError as error:
                _refused(what, wrong, error)
                status = error.status
        return _enter_page(service, tank, what, sent, wrong, status)

    def held_or_released(tank: str, what: str, sent: Typed) -> Response:
        try:
            zone = _glance(service, tank)["tank"]["timezone"]
            body, wrong = read_form(FORMS[what], sent, zone)
            status = 422
            if not wrong:
                try:
                    _post(service, what, tank, body, ())
                    return RedirectResponse(f"/tanks/{tank}?said={what}", 303)
                except FieldError as error:
                    _refused(what, wrong, error)
                    status = error.status
            return _week_page(service, tank, None, "", what, sent, wrong, status)
        except FieldError as error:
            return _problem(error)

    @pages.post("/tanks/{tank}/hold")
    def held(tank: str, sent: Sent) -> Response:
        return held_or_released(tank, "hold", sent)

    @pages.post("/tanks/{tank}/release")
    def released(tank: str, sent: Sent) -> Response:
        return held_or_released(tank, "release", sent)
