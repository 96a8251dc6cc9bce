"""What each feeder must be told: its plan and its hold, worked out anew and issued when they differ.

The ledger and the register decide; the last issued message is kept, so that it can be sent again at every connect and a
change can be seen. Versions never fall (contract): the larger of the last plus one and now.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.core.calendar import day_end_ms, day_of, day_start_ms
from tareline.core.feeding.doses import Dose
from tareline.core.feeding.plan import FedToday, Plan, empty_plan, largest_meal_g, make_plan
from tareline.core.feeding.ration import Ration, ration_on
from tareline.core.safety.hold import HoldState
from tareline.core.safety.stops import Stop, reason
from tareline.store import ledger
from tareline.store.devices import Device, Issued, issue, issued, load

DOWN_BYTES = 8 * 1024
NO_TANK = "this feeder is on no tank"
HOPPER_OFF = "the hopper is off the cell"


def encode(body: dict[str, Any]) -> bytes:
    """A message as it goes over the wire."""
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False).encode(errors="backslashreplace")


@dataclass(frozen=True, slots=True)
class _Tank:
    """What the messages to all feeders of one tank are made of."""

    id: str
    zone: str
    stage: str
    feeders: Sequence[str]
    rations: Sequence[Ration]
    state: HoldState
    doses: Sequence[Dose]
    losses: Sequence[tuple[int, str, float]]
    by_hand_g: float
    carried_g: float


def tell(tx: Connection, context: Context, feeders: Iterable[str]) -> list[Issued]:
    """Issue what has changed for some feeders; returns the messages to send.

    While the clock is behind the newest entry only holds are issued: a plan would be for the wrong day.
    """
    now_ms = context.stamp_ms()
    before, devices = issued(tx), load(tx)
    tanks: dict[str, _Tank] = {}
    sent = []
    for feeder in feeders:
        ref = (context.register.now("feeder", feeder) or {}).get("tank")
        if ref is not None and ref not in tanks:
            tanks[ref] = _look(tx, context, ref, now_ms)
        tank = tanks.get(ref) if ref is not None else None
        device, last_hold = devices.get(feeder, Device(feeder)), before.get((feeder, "hold"))
        stop = _open_stop(tx, feeder, device, last_hold, now_ms)
        stopped = None
        if stop is not None and not _has_seen_a_hold(stop, last_hold, device):
            stopped = reason(feeder, stop.code)
        wanted = {"hold": hold_body(tank, repository.is_hung(tx, feeder), stopped)}
        if not context.behind_ms():
            gain = repository.gain_g_per_step(tx, feeder) or (device.hello or {}).get("gain_g_per_step")
            wanted["plan"] = plan_body(plan_of(feeder, tank, now_ms), gain)
        for topic, body in wanted.items():
            last = before.get((feeder, topic))
            # A hold from before the feeder stopped itself says nothing of that: it goes out again.
            renewed = topic == "hold" and stop is not None and last is not None and not stop.told_since(last.version)
            if last is not None and not renewed and _same(topic, last.body, body, now_ms):
                continue
            version = max(now_ms, last.version + 1 if last is not None else 0)
            head: dict[str, Any] = {"installation": context.installation, "version": version}
            if topic == "plan":
                head["issued_at_ms"] = now_ms
            asked_ms = now_ms
            if topic == "hold" and last is not None and last.body["held"] and body["held"]:
                # One more reason does not start the minute to confirm anew.
                asked_ms = now_ms if device.confirms("hold", last.version) else last.issued_ms
            message = Issued(feeder, topic, version, asked_ms, {**head, **body})
            issue(tx, message)
            sent.append(message)
    return sent


def _look(tx: Connection, context: Context, tank: str, now_ms: int) -> _Tank:
    body = context.need("tank", tank)
    zone = str(body["timezone"])
    today = day_of(now_ms, zone)
    doses, handfeeds = repository.fed(tx, context, tank, day_start_ms(today, zone), day_end_ms(today, zone))
    return _Tank(
        id=tank,
        zone=zone,
        stage=str(body["stage"]),
        feeders=context.register.devices_of("feeder", tank),
        rations=repository.rations(tx, tank, zone, day_start_ms(today, zone)),
        state=repository.hold_state(tx, tank),
        doses=doses,
        losses=repository.losses(tx, context, tank, day_start_ms(today, zone), day_end_ms(today, zone)),
        by_hand_g=sum(h.mass_g for h in handfeeds),
        carried_g=repository.carried_over_g(tx, context, tank, zone, today),
    )


def hold_body(tank: _Tank | None, hung: bool, stopped: str | None = None) -> dict[str, Any]:
    """down/hold without its version: whether feeding is held, or reduced to a share `reduce_to`, and why. Retained.

    A feeder on no tank is held, and so is one whose hopper is off the cell.

    stopped: why the feeder has stopped itself, as long as it has not said that it has seen a hold since: it is held
    until it has, whatever a person has released, since a release alone would not let it go on.
    """
    own = [text for text in (None if hung else HOPPER_OFF, stopped) if text is not None]
    if tank is None:
        held, reduce_to, reasons = True, None, [NO_TANK, *own]
    else:
        held = tank.state.held or bool(own)
        reduce_to = tank.state.reduce_to if tank.state.reduce_to < 1 else None
        reasons = [r.text for r in tank.state.reasons] + own
    text = "; ".join(dict.fromkeys(reasons))[:1000]
    return {"held": held, "reduce_to": reduce_to, "reason": text, "hopper_off": not hung}


def _open_stop(tx: Connection, feeder: str, device: Device, last: Issued | None, now_ms: int) -> Stop | None:
    """The stop of which a feeder is not known to go on; that it does is noted once it has confirmed a release."""
    stop = repository.open_stop(tx, feeder)
    if stop is None or last is None or last.body["held"] or not stop.told_since(last.version):
        return stop
    if not device.confirms("hold", last.version):
        return stop
    body = {"event": "goes on", "code": stop.code, "stop": stop.entry, "hold_version": last.version}
    ledger.add(tx, "stop", now_ms, now_ms, body, device=feeder)
    return None


def _has_seen_a_hold(stop: Stop, last: Issued | None, device: Device) -> bool:
    """Whether a feeder has confirmed a hold that went out after its stop: until it has, nothing but holds goes out."""
    if last is None or not stop.told_since(last.version):
        return False
    return not last.body["held"] or device.confirms("hold", stop.hold_version + 1)


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


def plan_of(feeder: str, tank: _Tank | None, now_ms: int) -> Plan:
    """The plan of a feeder as of now; nothing for a feeder on no tank or on an empty one."""
    if tank is None:
        return empty_plan(now_ms, "UTC")
    if tank.stage == "empty":
        return empty_plan(now_ms, tank.zone)
    unknown_g = largest_meal_g(ration_on(day_of(now_ms, tank.zone), tank.zone, tank.rations))
    counted = [(d.feeder, d.counted_g(unknown_g)) for d in tank.doses]
    counted += [(owner, grams) for _, owner, grams in tank.losses]
    others_g = sum(grams for owner, grams in counted if owner != feeder)
    counted_g = sum(grams for _, grams in counted) + tank.by_hand_g
    fed = FedToday(counted_g, others_g + tank.by_hand_g, tank.carried_g)
    return make_plan(feeder, feeder == tank.feeders[0], tank.zone, tank.rations, fed, now_ms)


def next_midnight_ms(context: Context, now_ms: int) -> int:
    """When the next local day of any tank begins: plans are issued anew then."""
    zones = {context.zone(tank) for tank in context.register.refs("tank")} | {"UTC"}
    return min(day_end_ms(day_of(now_ms, zone), zone) for zone in zones)


def _same(topic: str, last: dict[str, Any], new: dict[str, Any], now_ms: int) -> bool:
    """Whether a message says nothing new; meals that have passed since are no news."""
    old = {key: last.get(key) for key in new}
    if topic == "plan":
        old["meals"] = [meal for meal in last["meals"] if meal["at_ms"] > now_ms]
    return old == new
