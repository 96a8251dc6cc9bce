"""What each feeder must be told: its plan and its hold, worked out anew and issued when they differ.

The ledger and the register decide; the last issued message is kept, so that it can be sent again at every connect and a
change can be seen. Versions never fall (contract): the larger of the last plus one and now.
"""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection

from tareline import facts
from tareline.context import Context
from tareline.feeding.days import day_end_ms, day_of, day_start_ms
from tareline.feeding.plan import FedToday, Plan, empty_plan, largest_meal_g, make_plan
from tareline.feeding.ration import ration_on
from tareline.store.devices import Device, Issued, issue, issued, load

DOWN_BYTES = 8 * 1024
NO_TANK = "this feeder is on no tank"


def encode(body: dict[str, Any]) -> bytes:
    """A message as it goes over the wire."""
    return json.dumps(body, separators=(",", ":")).encode()


def tell(tx: Connection, context: Context, feeders: Sequence[str]) -> list[Issued]:
    """Issue what has changed for some feeders; returns the messages to send.

    While the clock is behind the newest entry only holds are issued: a plan would be for the wrong day.
    """
    now_ms = context.stamp_ms()
    before = issued(tx)
    devices = load(tx)
    sent = []
    for feeder in feeders:
        wanted = {"hold": hold_body(tx, context, feeder)}
        if not context.behind_ms():
            wanted["plan"] = plan_body(tx, context, feeder, devices.get(feeder), now_ms)
        for topic, body in wanted.items():
            last = before.get((feeder, topic))
            if last is not None and _same(topic, last.body, body, now_ms):
                continue
            version = max(now_ms, last.version + 1 if last is not None else 0)
            head: dict[str, Any] = {"installation": context.installation, "version": version}
            if topic == "plan":
                head["issued_at_ms"] = now_ms
            message = Issued(feeder, topic, version, now_ms, {**head, **body})
            issue(tx, message)
            sent.append(message)
    return sent


def hold_body(tx: Connection, context: Context, feeder: str) -> dict[str, Any]:
    """down/hold without its version."""
    tank = (context.register.now("feeder", feeder) or {}).get("tank")
    if tank is None:
        return {"held": True, "reduce_to": None, "reason": NO_TANK}
    state = facts.hold_state(tx, tank)
    reason = "; ".join(r.text for r in state.reasons)[:1000]
    reduce_to = state.reduce_to if state.reduce_to < 1 else None
    return {"held": state.held, "reduce_to": reduce_to, "reason": reason}


def plan_body(tx: Connection, context: Context, feeder: str, device: Device | None, now_ms: int) -> dict[str, Any]:
    """down/plan without its version; meals that would not fit the wire are left to the next plan."""
    plan = plan_of(tx, context, feeder, now_ms)
    hello = (device.hello if device is not None else None) or {}
    body: dict[str, Any] = {
        "gain_g_per_step": hello.get("gain_g_per_step"),
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


def plan_of(tx: Connection, context: Context, feeder: str, now_ms: int) -> Plan:
    """The plan of a feeder as of now."""
    tank = (context.register.now("feeder", feeder) or {}).get("tank")
    if tank is None:
        return empty_plan(now_ms, "UTC")
    zone = context.zone(tank)
    if context.need("tank", tank)["stage"] == "empty":
        return empty_plan(now_ms, zone)
    rations = facts.rations(tx, tank)
    first = context.register.devices_of("feeder", tank)[0]
    return make_plan(feeder, feeder == first, zone, rations, fed_today(tx, context, tank, feeder, now_ms), now_ms)


def fed_today(tx: Connection, context: Context, tank: str, feeder: str, now_ms: int) -> FedToday:
    """What the rest of today's plan must take off."""
    zone = context.zone(tank)
    today = day_of(now_ms, zone)
    doses, handfeeds = facts.fed(tx, context, tank, day_start_ms(today, zone), day_end_ms(today, zone))
    unknown_g = largest_meal_g(ration_on(today, zone, facts.rations(tx, tank)))
    by_hand = sum(h.mass_g for h in handfeeds)
    counted = {d.entry: d.counted_g(unknown_g) for d in doses}
    others = sum(counted[d.entry] for d in doses if d.feeder != feeder)
    return FedToday(counted_g=sum(counted.values()) + by_hand, others_g=others + by_hand)


def next_midnight_ms(context: Context, now_ms: int) -> int | None:
    """When the next local day of any tank begins: plans are issued anew then."""
    zones = {context.zone(tank) for tank in context.register.refs("tank")} | {"UTC"}
    return min(day_end_ms(day_of(now_ms, zone), zone) for zone in zones)


def _same(topic: str, last: dict[str, Any], new: dict[str, Any], now_ms: int) -> bool:
    """Whether a message says nothing new; meals that have passed since are no news."""
    old = {key: last.get(key) for key in new}
    if topic == "plan":
        old["meals"] = [meal for meal in last["meals"] if meal["at_ms"] > now_ms]
    return old == new
