"""What each feeder must be told: its plan and its hold, calculated again and issued when they differ.

The ledger and the register decide; the last issued message is kept, so that it can be sent again at every connect and a
change can be seen. Versions never fall (contract): the larger of the last plus one and now.
"""

import json
import logging
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

from sqlalchemy.exc import SQLAlchemyError

from tareline.app.context import Context
from tareline.app.snapshot import FeederSnapshot, Snapshots, TankSnapshot
from tareline.core.calendar import day_end_ms, day_of
from tareline.core.feeding.books import fed_today, unknown_dose_g
from tareline.core.feeding.plan import Plan, empty_plan, make_plan
from tareline.core.feeding.ration import ration_on
from tareline.core.safety.hold import HoldState
from tareline.core.safety.stops import Stop, reason
from tareline.store import ledger
from tareline.store.devices import Device, Issued, issue
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

DOWN_BYTES = 8 * 1024
NO_TANK = "this feeder is on no tank"
HOPPER_OFF = "the hopper is off the cell"


def encode(body: dict[str, Any]) -> bytes:
    """A message as it goes over the wire."""
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False).encode(errors="backslashreplace")


def tell(snapshots: Snapshots, feeders: Iterable[str]) -> list[Issued]:
    """Issue what has changed for some feeders; returns the messages to send.

    Where the plan or the hold of one feeder cannot be calculated, the others are still told, and so is that feeder of
    its hold where only its plan fails. The fault is noted in `Context.dispatch_faults`, and the next call tries again.
    """
    context = snapshots.context
    now_ms = context.stamp_ms()
    sent = []
    for name in feeders:
        try:
            for message in _news(snapshots, name, now_ms):
                issue(snapshots.tx, message)
                sent.append(message)
        except (StoreError, SQLAlchemyError):
            raise
        except Exception as error:
            log.exception("what %s must be told could not be worked out; it goes on by what it has", name)
            context.dispatch_faults.note(name, error, now_ms)
        else:
            context.dispatch_faults.end(name)
    return sent


def _news(snapshots: Snapshots, name: str, now_ms: int) -> Iterator[Issued]:
    """What has changed for a feeder, its hold first.

    While the clock is behind the newest entry only a hold is told: a plan would be for the wrong day.
    """
    context = snapshots.context
    ref = (context.register.now("feeder", name) or {}).get("tank")
    feeder = _go_on(snapshots, snapshots.feeder(name), now_ms)
    tank = snapshots.of(ref) if ref is not None else None
    stopped = None
    confirmed_version = feeder.device.confirmed_version("hold")
    if feeder.stop is not None and feeder.stop.awaits_hold(feeder.told, confirmed_version):
        stopped = reason(name, feeder.stop.code)
    body = hold_body(None if tank is None else tank.holds, feeder.off_since_ms is None, stopped)
    last = feeder.hold
    # A hold that was issued before the feeder stopped itself does not cover that: it is issued again.
    if last is None or _is_older(last, feeder.stop) or not _same("hold", last.body, body, now_ms):
        asked_ms = now_ms
        if last is not None and last.body["held"] and body["held"]:
            # A further reason does not restart the minute within which the feeder must confirm.
            asked_ms = now_ms if feeder.device.confirms("hold", last.version) else last.issued_ms
        version = _next_version(last, now_ms)
        head = {"installation": context.installation, "version": version}
        yield Issued(name, "hold", version, asked_ms, {**head, **body})
    if context.behind_ms():
        return
    body = plan_body(plan_of(feeder.device, tank, now_ms), feeder.gain_g_per_step)
    last = feeder.plan
    if last is None or not _same("plan", last.body, body, now_ms):
        version = _next_version(last, now_ms)
        head = {"installation": context.installation, "version": version, "issued_at_ms": now_ms}
        yield Issued(name, "plan", version, now_ms, {**head, **body})


def _next_version(last: Issued | None, now_ms: int) -> int:
    return max(now_ms, last.version + 1 if last is not None else 0)


def _go_on(snapshots: Snapshots, feeder: FeederSnapshot, now_ms: int) -> FeederSnapshot:
    """Note that a feeder continues after its stop, once it has confirmed a release."""
    stop, told = feeder.stop, feeder.told
    if stop is None or told is None or not stop.goes_on(told):
        return feeder
    body = {"event": "goes on", "code": stop.code, "stop": stop.entry, "hold_version": told.version}
    ledger.add(snapshots.tx, "stop", now_ms, now_ms, body, device=feeder.name)
    gone_on = replace(feeder, stop=None, stop_noted_ms=now_ms)
    snapshots.put_feeder(gone_on)
    return gone_on


def _is_older(message: Issued, stop: Stop | None) -> bool:
    """Whether a message was issued before the service learnt that the feeder had stopped itself."""
    return stop is not None and not stop.issued_since(message.version)


def hold_body(state: HoldState | None, hung: bool, stopped: str | None = None) -> dict[str, Any]:
    """down/hold without its version: whether feeding is held, or reduced to a share `reduce_to`, and why. Retained.

    A feeder on no tank is held, and so is one whose hopper is off the cell.

    state: what holds its tank, None on no tank. stopped: why the feeder has stopped itself, as long as it has not said
    that it has seen a hold since: it is held until it has, whatever a person has released, since a release alone would
    not let it continue.
    """
    own = [text for text in (None if hung else HOPPER_OFF, stopped) if text is not None]
    if state is None:
        held, reduce_to, reasons = True, None, [NO_TANK, *own]
    else:
        held = state.held or bool(own)
        reduce_to = state.reduce_to if state.reduce_to < 1 else None
        reasons = [r.text for r in state.reasons] + own
    text = "; ".join(dict.fromkeys(reasons))[:1000]
    return {"held": held, "reduce_to": reduce_to, "reason": text, "hopper_off": not hung}


def plan_body(plan: Plan, gain_g_per_step: float | None) -> dict[str, Any]:
    """down/plan without its version: the caps of the coming days, their meals, and a fallback. Retained.

    Meals that would not fit the wire are left to the next plan.
    """
    body: dict[str, Any] = {
        "gain_g_per_step": gain_g_per_step,
        "days": [{"start_ms": d.start_ms, "cap_g": d.cap_g} for d in plan.days],
        "meals": [{"id": m.id, "at_ms": m.at_ms, "target_g": m.target_g} for m in plan.meals],
        "fallback": {
            "daily_g": plan.fallback.daily_g,
            "at_utc_s": list(plan.fallback.at_utc_s),
            "until_ms": plan.fallback.until_ms,
            "blind_days": plan.fallback.blind_days,
        },
    }
    while len(encode(body)) > DOWN_BYTES - 200:  # room for installation, version and time of issue
        body["meals"].pop()
    return body


def plan_of(feeder: Device, tank: TankSnapshot | None, now_ms: int) -> Plan:
    """The plan of a feeder as of now; nothing for a feeder on no tank or on an empty one."""
    if tank is None:
        return empty_plan(now_ms, "UTC")
    if tank.stage == "empty":
        return empty_plan(now_ms, tank.zone)
    today = day_of(now_ms, tank.zone)
    rations = tank.rations(today)
    unknown_g = unknown_dose_g(ration_on(today, tank.zone, rations))
    journal = (feeder.hello or {}).get("journal")
    fed = fed_today(feeder.device, journal, tank.fed_on(today), unknown_g, tank.carried_g(today))
    return make_plan(feeder.device, feeder.device == tank.feeders[0].name, tank.zone, rations, fed, now_ms)


def next_midnight_ms(context: Context, now_ms: int) -> int:
    """When the next local day of any tank begins: plans are issued anew then."""
    zones = {context.zone(tank) for tank in context.register.refs("tank")} | {"UTC"}
    return min(day_end_ms(day_of(now_ms, zone), zone) for zone in zones)


def _same(topic: str, last: dict[str, Any], new: dict[str, Any], now_ms: int) -> bool:
    """Whether a message says nothing new; meals that have passed since are not a change."""
    old = {key: last.get(key) for key in new}
    if topic == "plan":
        old["meals"] = [meal for meal in last["meals"] if meal["at_ms"] > now_ms]
    return old == new
