"""Faults that devices report, and the holds that follow from some of them."""

import logging

from tareline.app import holds
from tareline.app.ingest.times import latest_ms, note_time
from tareline.app.ingest.transaction import IngestTransaction, read
from tareline.app.snapshot import Snapshots
from tareline.core.safety.faults import lost_g
from tareline.core.safety.stops import STOPS
from tareline.mqtt import messages as wire
from tareline.mqtt.messages import Message
from tareline.store import ledger

log = logging.getLogger(__name__)


def take_fault(work: IngestTransaction, device: str, message: Message) -> None:
    """Enter a fault; where the feeder has stopped itself, its tank is held."""
    fault = read(wire.Fault, message.payload)
    note_time(work, device, fault, message)
    raw = message.payload.decode()
    if any(entry.raw == raw for entry in ledger.newest(work.tx, "fault", device=device, limit=200)):
        return  # the broker delivered it twice
    at_ms, high_ms = fault.at_ms, None
    if at_ms is None:
        at_ms = high_ms = latest_ms(work, device, fault.boot, fault.uptime_ms, message)
    entry = ledger.add(work.tx, "fault", at_ms, work.stamp_ms, raw, device=device, at_high_ms=high_ms)
    log.warning("%s reports the fault %s: %s", device, fault.code, fault.detail or "")
    if lost_g(fault.code, fault.detail):
        work.result.dosed.add(device)  # which the tank's other feeders get less for
    if fault.code in STOPS and work.context.register.now("feeder", device) is not None:
        tank = holds.stopped(Snapshots(work.tx, work.context, work.samples), device, fault.code, entry)
        if tank is not None:
            work.result.held.add(tank)
    work.result.devices.add(device)
