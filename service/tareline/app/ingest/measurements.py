"""The weight of a hopper and the samples of a probe become values of series."""

from pydantic import ValidationError

from tareline.app.ingest.times import AHEAD_MS, latest_ms, note_arrival, note_time
from tareline.app.ingest.transaction import IngestTransaction, NotUnderstoodError, read
from tareline.mqtt import messages as wire
from tareline.mqtt import senml
from tareline.mqtt.messages import Message
from tareline.store import series

METRICS = {"temperature": ("Cel", -60.0, 125.0), "conductivity": ("S/m", 0.0, 100.0), "voltage": ("V", -100.0, 100.0)}


def take_weight(work: IngestTransaction, device: str, message: Message) -> None:
    """The mass of what is in a hopper, with its standard deviation."""
    weight = read(wire.Weight, message.payload)
    note_time(work, device, weight, message)
    at_ms = weight.at_ms
    if at_ms is None:
        at_ms = latest_ms(work, device, weight.boot, weight.uptime_ms, message)
    values = [
        series.Value("hopper", "g", at_ms, weight.mass_g),
        series.Value("hopper_sd", "g", at_ms, weight.sd_g),
    ]
    series.add(work.tx, device, values)
    work.result.devices.add(device)


def take_samples(work: IngestTransaction, device: str, message: Message) -> None:
    """A pack of samples. What is good of it is taken, also where the rest is not understood."""
    try:
        records = senml.parse(message.payload)
    except ValidationError as error:
        raise NotUnderstoodError(wire.explain(error)) from error
    sent_ms = message.arrival_ms
    boot, uptime_ms = senml.extra(records, "boot"), senml.extra(records, "uptime_ms")
    if isinstance(boot, str) and isinstance(uptime_ms, int) and 0 <= uptime_ms < 2**53:
        note_arrival(work, device, boot, uptime_ms, message)
        sent_ms = latest_ms(work, device, boot, uptime_ms, message)
    good: list[series.Value] = []
    wrong: str | None = None
    for record in senml.resolve(records):
        value = _value(record, sent_ms)
        if isinstance(value, str):
            wrong = wrong or value
        elif value.at_ms > work.stamp_ms + AHEAD_MS:
            wrong = wrong or f"t: expected no time more than a day ahead; found {record.time_s:.0f}"
        else:
            good.append(value)
    if good:
        series.add(work.tx, device, good)
        work.result.devices.add(device)
    if wrong is not None:
        raise NotUnderstoodError(f"{wrong} ({len(good)} other values of the pack were taken)")


def _value(record: senml.Resolved, sent_ms: int) -> series.Value | str:
    """A SenML record as a value of a series, or why it is none."""
    metric = record.name.rsplit(":", 1)[-1].rsplit("/", 1)[-1]
    if metric not in METRICS:
        return f"n: expected a name ending in one of {', '.join(METRICS)}; found {record.name[:80]!r}"
    unit, lowest, highest = METRICS[metric]
    if record.unit != unit:
        return f"u: expected {unit!r} for {metric}; found {record.unit!r}"
    if not senml.is_number(record.value) or not lowest <= float(record.value or 0.0) <= highest:
        return f"v: expected {lowest:g} to {highest:g} {unit} for {metric}; found {record.value!r}"
    at_ms = record.time_s * 1000 + (sent_ms if record.relative else 0)
    if not wire.FIRST_MS <= at_ms < wire.LAST_MS:  # nor is a sum of times that is not finite
        return f"t: expected a time between 2020 and 2100; found {record.time_s:g} s"
    return series.Value(metric, unit, round(at_ms), float(record.value or 0.0))
