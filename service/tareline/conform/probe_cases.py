"""What only a probe does: samples, as RFC 8428 describes them."""

import re
from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError

from tareline.conform.bench import Bench, Unfit
from tareline.conform.wire import Heard, now_ms
from tareline.mqtt.messages import explain
from tareline.mqtt.senml import Record, Resolved, extra, is_number, parse, resolve

UNITS = {"temperature": "Cel", "conductivity": "S/m", "voltage": "V"}
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428, section 4.5.1
AHEAD_S = 60
OLDEST_S = 40 * 86_400  # a probe may have kept samples while it was alone


def samples(bench: Bench) -> None:
    """The next pack, record by record."""
    pack = bench.wait(_pack, timeout_s=bench.options.samples_s)
    seconds = bench.options.samples_s
    if not bench.judge("samples", pack is not None, f"up/samples within {seconds:g} s", sent=""):
        raise Unfit("no samples came")
    try:
        records = parse(pack.payload)
    except ValidationError as error:
        bench.judge("senml", False, "a SenML pack in JSON", f"{explain(error)}: {pack.payload[:200]!r}", "")
        raise Unfit("the samples are no SenML pack") from error
    resolved = resolve(records)
    came = str(pack.body)[:400]
    named = bool(resolved) and all(NAME.fullmatch(one.name) for one in resolved)
    bench.judge("senml", named, "every record with a name of the characters that RFC 8428 allows", came, "")
    bench.judge("senml-units", _in_units(resolved), f"at least one of {UNITS}, and each in its unit", came, "")
    bench.judge("senml-time", _timed(bench, records, resolved), _times_expected(bench), came, "")


def _pack(log: list[Heard]) -> Any:
    return next((heard for heard in log if heard.tail == "samples" and not heard.retained), None)


def _quantity(name: str) -> str | None:
    return next((quantity for quantity in UNITS if name.endswith(quantity)), None)


def _in_units(resolved: Sequence[Resolved]) -> bool:
    ours = [(quantity, one) for one in resolved if (quantity := _quantity(one.name)) is not None]
    return bool(ours) and all(one.unit == UNITS[quantity] and is_number(one.value) for quantity, one in ours)


def _clock(bench: Bench) -> Any:
    with bench.wire.changed:
        hellos = [heard.fields.get("clock") for heard in bench.wire.log if heard.tail == "hello"]
    return hellos[-1] if hellos else None


def _times_expected(bench: Bench) -> str:
    if _clock(bench) == "set":
        return f"bt in whole seconds, and every time near {now_ms() // 1000}"
    return "times at or before 0, boot and uptime_ms in the first record; or bt once the clock was set by down/time"


def _timed(bench: Bench, records: Sequence[Record], resolved: Sequence[Resolved]) -> bool:
    if any(one.relative for one in resolved):
        placed = isinstance(extra(records, "boot"), str) and isinstance(extra(records, "uptime_ms"), int)
        return _clock(bench) != "set" and placed and all(one.relative and one.time_s <= 0 for one in resolved)
    base, now_s = records[0].bt, now_ms() / 1000
    near = all(now_s - OLDEST_S < one.time_s < now_s + AHEAD_S for one in resolved)
    return base is not None and base == int(base) and near
