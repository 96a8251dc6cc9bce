"""What commands print of the answers of the running service: a feeder's report, tests of addresses, and updates."""

import ipaddress
import time
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

import httpx
from pydantic import ValidationError
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from tareline.app.answers.report import ReconciliationAnswer, ReportAnswer, ReportDay, TicketAnswer
from tareline.errors import FieldError
from tareline.settings import Http
from tareline.web.text.words import decimals_for

TIMEOUT_S = 300.0  # more than a year of doses may have to be calculated again
LOOK_S = 1.0  # how often an update is looked at
STATES = {
    "none": "waiting for the device",
    "offered": "waiting for the device",
    "idle": "waiting for the device",
    "fetching": "the device is downloading it",
    "ready": "download complete; the device waits until no dose is due",
    "trial": "on trial: it must run for ten minutes and receive messages of the service",
}
WIDE = 170  # columns where there is no terminal: in a file nothing need be folded

Row = dict[str, Any]


def fetch(http: Http, feeder: str, start: str, end: str) -> ReportAnswer:
    """The report of a feeder over some local days. Raises FieldError with the reason where the service refuses
    it or cannot be reached."""
    status, body = _ask(http, "GET", f"/feeders/{quote(feeder, safe='')}/report", {"start": start, "end": end})
    if httpx.codes.is_success(status):
        try:
            return ReportAnswer.model_validate(body)
        except ValidationError:
            raise _refusal(http, status, None) from None
    if status == httpx.codes.NOT_FOUND:
        raise FieldError("--feeder", f"there is no feeder {feeder!r}", 404)
    raise _refusal(http, status, body)


def try_addresses(http: Http) -> list[Row]:
    """Make the service send a test message to every address; for each address its name, whether it accepted the
    message, and if not, why. Raises FieldError as `fetch` does."""
    status, body = _ask(http, "POST", "/alerts/test", {})
    if httpx.codes.is_success(status) and isinstance(body, list):
        return body
    raise _refusal(http, status, body)


def offer_update(http: Http, device: str) -> Row:
    """Make the service offer a device its firmware; the state of the update. Raises FieldError as `fetch` does."""
    return _update(http, "POST", device)


def update_state(http: Http, device: str) -> Row:
    """The state of a device's update. Raises FieldError as `fetch` does."""
    return _update(http, "GET", device)


def _update(http: Http, method: str, device: str) -> Row:
    status, body = _ask(http, method, f"/devices/{quote(device, safe='')}/update", {})
    if httpx.codes.is_success(status) and isinstance(body, dict) and "state" in body:
        return body
    raise _refusal(http, status, body)


def follow_update(http: Http, device: str, console: Console) -> Row:
    """Show an update until it has ended; its last state. Raises FieldError as `fetch` does."""
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[share]}"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("", total=None, share="")
        while True:
            state = update_state(http, device)
            if state["state"] in ("done", "failed"):
                return state
            total = state["total_bytes"] if state["state"] == "fetching" else None
            share = "" if total is None else f"{state['done_bytes']} of {total} bytes"
            progress.update(
                task, description=STATES[state["state"]], total=total, completed=state["done_bytes"], share=share
            )
            time.sleep(LOOK_S)


def _ask(http: Http, method: str, path: str, query: dict[str, str]) -> tuple[int, Any]:
    """Status and body of a call."""
    headers = {"Authorization": f"Bearer {http.token}"} if http.token else {}
    try:
        # No proxy of the environment: the service is on this machine or in this house.
        with httpx.Client(timeout=httpx.Timeout(TIMEOUT_S, connect=5.0), trust_env=False, headers=headers) as client:
            answer = client.request(method, f"{_address(http)}/api/v1{path}", params=query)
            return answer.status_code, answer.json()
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise FieldError("", f"no answer from the service at {_address(http)} ({error}); is it running?") from error
    except ValueError as error:
        raise FieldError("", f"the program that answers at {_address(http)} is not this service") from error


def _refusal(http: Http, status: int, body: Any) -> FieldError:
    detail = body.get("detail") if isinstance(body, dict) else None
    return FieldError("", str(detail or f"the program that answers at {_address(http)} is not this service"), status)


def _address(http: Http) -> str:
    """The address at which this machine reaches a service that listens there."""
    host = http.host
    try:
        address = ipaddress.ip_address(host)
        if address.is_unspecified:
            address = ipaddress.ip_address("127.0.0.1" if address.version == 4 else "::1")
        host = f"[{address}]" if address.version == 6 else str(address)
    except ValueError:
        pass  # a name
    return f"http://{host}:{http.port}"


def make_console() -> Console:
    """Standard output; what devices and people wrote is printed as it is."""
    console = Console(markup=False, highlight=False, emoji=False)
    if not console.is_terminal:
        console.width = WIDE
    return console


def show(report: ReportAnswer, console: Console) -> None:
    """Print all of a report."""
    _head(report, console)
    for one in report.reconciliation or ():
        _balance(one, console)
    if not report.reconciliation:
        why = (
            "the masses have not been calculated yet"
            if report.account is None
            else "no part of the period lies between two weigh-ins"
        )
        console.print(f"Reconciliation: none, {why}.\n")
    for finding in report.findings:
        likely = "; ".join(f"{c.cause} {c.share:.0%} ({c.evidence})" for c in finding.likely) or finding.kind
        sized = _mass(finding.mass_g, finding.sd_g, "" if finding.kind == "gain" else " g")
        console.print(
            f"Finding {finding.id}, {_time(finding.from_)} to {_time(finding.to)}: {sized}; {likely}", style="bold"
        )
    _days(report.days, console)
    _doses(report.doses, console)
    _handled(report, console)
    _tail(report, console)


def _head(report: ReportAnswer, console: Console) -> None:
    period, totals = report.period, report.totals
    tank = report.tank.name if report.tank else "no tank"
    food = report.food.name if report.food else "food not stated"
    console.print(f"{report.feeder}, {period.start} to {period.end} ({period.timezone})", style="bold")
    said = [f"{name} {value}" for name, value in report.instrument if value is not None]
    console.print(f"{tank}; {food}; {', '.join(said) or 'nothing announced'}")
    budget = "no ration" if totals.budget_g is None else f"{totals.budget_g:.2f} g"
    dispensed = _mass(totals.dispensed_g, totals.dispensed_sd_g)
    console.print(
        f"Budget {budget}; asked {totals.asked_g:.3f} g in {totals.doses} doses, {totals.unweighed} not "
        f"weighed; dispensed {dispensed}{', provisional' if totals.provisional else ''}"
    )
    drift = report.drift
    if drift is not None:
        parts = ", ".join(f"{cause} {part_g:+.3f} g" for cause, part_g in sorted(drift.by_cause.items()))
        console.print(f"Against asked {drift.drift_g:+.3f} g{f' ({parts})' if parts else ''}")
    console.print()


def _balance(one: ReconciliationAnswer, console: Console) -> None:
    table = _table(
        f"Weigh-in {one.opening_entry}, {_time(one.from_)}, to weigh-in {one.closing_entry}, "
        f"{_time(one.to)}: {'within the limit' if one.within else 'BEYOND THE LIMIT'}",
        ("what", "g"),
        right=(1,),
    )
    for name, key in (
        ("opening", "opening_g"),
        ("+ added", "added_g"),
        ("- closing", "closing_g"),
        ("= by scale", "by_scale_g"),
        (f"by cell, {one.doses} doses, {one.unweighed} not weighed", "by_cell_g"),
        ("difference", "difference_g"),
        ("limit, 95 %: 1.96 times the root of the sum of the squares of", "limit_g"),
    ):
        table.add_row(name, f"{getattr(one, key):.4f}")
    for part in one.limit_parts:
        table.add_row(f"  {part.source}", f"{part.sd_g:.4f}")
    console.print(table)


def _days(days: Sequence[ReportDay], console: Console) -> None:
    table = _table("Days", ("day", "budget, g", "dispensed, g", "± sd", ""), right=(1, 2, 3))
    for day in days:
        places = decimals_for(day.dispensed_sd_g)
        remark = "finding" if day.finding else "provisional" if day.provisional else ""
        dispensed = (_number(day.dispensed_g, places), _number(day.dispensed_sd_g, places))
        table.add_row(day.date, _number(day.budget_g, 2), *dispensed, remark)
    console.print(table)


def _doses(doses: Sequence[TicketAnswer], console: Console) -> None:
    names = ("entry", "time", "cause", "meal", "asked, g", "steps", "before, g", "after, g", "net, g", "± sd")
    table = _table("Doses", (*names, "estimate, g", "± sd", "°C", "end", "no."), right=(0, *range(4, 13), 14))
    for dose in doses:
        places, fine = decimals_for(dose.sd_g), decimals_for(dose.estimate_sd_g)
        table.add_row(
            str(dose.entry),
            _time(dose.at),
            dose.cause or "",
            dose.meal or "",
            _number(dose.target_g, 3),
            _number(dose.steps, 0),
            *(_number(mass_g, places) for mass_g in (dose.before_g, dose.after_g, dose.net_g, dose.sd_g)),
            *(_number(mass_g, fine) for mass_g in (dose.estimate_g, dose.estimate_sd_g)),
            _number(dose.temperature_c, 1),
            dose.outcome if dose.count == 1 else f"{dose.count} {dose.outcome}",
            _number(dose.seq, 0),
        )
    console.print(table)


def _handled(report: ReportAnswer, console: Console) -> None:
    table = _table("Weighed in, filled, lost, taken off", ("entry", "time", "what", "g", "who"), right=(0, 3))
    mass_of = {"weighin": "mass_g", "refill": "added_g", "loss": "mass_g"}
    rows = [*report.weighins, *report.refills, *report.losses, *report.hopper_moves]
    for one in sorted(rows, key=lambda row: row.at):
        kind = one.kind
        what = kind if kind != "hopper" else "hopper hung" if one.hung else "hopper taken off"
        mass = _mass(one.own[mass_of[kind]], one.own.get("sd_g"), "") if kind in mass_of else ""
        table.add_row(str(one.entry), _time(one.at), what, mass, one.by or "")
    if rows:
        console.print(table)


def _tail(report: ReportAnswer, console: Console) -> None:
    known = report.calibration
    if known is not None:
        drift = "" if known.drift is None else f", {known.drift:+.5f} since the previous one"
        sure = " (beyond both intervals)" if known.drift_sure else ""
        console.print(
            f"Calibration {known.entry}, {_time(known.at)}: {known.slope:.5f} ± {known.slope_u:.5f} (95 %) "
            f"g shown per gram{drift}{sure}; repeat by {known.repeat_by[:10]}"
        )
        points = (f"{p.mass_g:g} g {p.residual_g:+.4f} g" for p in known.points)
        console.print(f"Residuals: {', '.join(points)}")
    gain = report.gain
    for name, g_per_step in (("announced", gain.announced_g_per_step), ("planned", gain.planned_g_per_step)):
        if g_per_step is not None:
            console.print(f"Gain {name}: {g_per_step:.6f} g a step")
    for one in gain.decided:
        became = f"{one.before_g_per_step:.6f} -> {one.gain_g_per_step:.6f} g a step"
        learned = f"estimated {one.learned_g_per_step:.6f} ± {one.learned_sd:.6f}"
        console.print(f"Gain decided {_time(one.at)}: {became}; {learned}{', limited for now' if one.bounded else ''}")
    hopper = report.hopper
    if hopper.content_g is not None and hopper.weigh_by is not None:
        lasts = "nothing is being fed"
        if hopper.days_left is not None and hopper.refill_by is not None:
            lasts = f"{hopper.days_left:.0f} days ({hopper.days_low:.0f} to {hopper.days_high:.0f}, 90 %)"
            lasts += f"; refill by {hopper.refill_by[:10]}"
        left = _mass(hopper.content_g, hopper.content_sd_g)
        console.print(f"Hopper: {left} left, {lasts}; next weigh-in by {hopper.weigh_by[:10]}")


def _table(title: str, names: Sequence[str], right: Sequence[int]) -> Table:
    table = Table(title=title, title_justify="left", title_style="")
    for i, name in enumerate(names):
        table.add_column(name, justify="right" if i in right else "left", overflow="fold")
    return table


def _time(at: str) -> str:
    return at[:19].replace("T", " ")


def _number(value: float | None, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}"


def _mass(value: float | None, sd: float | None, unit: str = " g") -> str:
    if value is None:
        return "unknown"
    places = decimals_for(sd)
    return f"{value:.{places}f}{unit}" if not sd else f"{value:.{places}f} ± {sd:.{places}f}{unit}"
