"""Samples as SenML packs (RFC 8428, JSON), written by hand from whole numbers.

A board's floats hold seven digits: no time and no value passes through one. A sample is a tuple (time_ms,
temperature_c100, conductivity_us_per_m, voltage_uv) of whole numbers, None for a value that was not measured.
"""

import json

MOST_SAMPLES = 8  # three records of at most 70 bytes each: a pack stays under 2 KiB


def decimal(value, digits):
    """A whole number of 10^-digits as a decimal text without trailing zeros: decimal(-1500, 3) is "-1.5"."""
    sign = "-" if value < 0 else ""
    whole, part = divmod(abs(value), 10**digits)
    if not part:
        return "%s%d" % (sign, whole)
    text = str(part)
    return "%s%d.%s%s" % (sign, whole, "0" * (digits - len(text)), text.rstrip("0"))


def _records(sample, offset_ms):
    """The records of one sample without their opening brace; offset_ms: its time against the pack's base."""
    _, temperature, conductivity, voltage = sample
    time = ',"t":%s' % decimal(offset_ms, 3) if offset_ms else ""
    found = []
    if temperature is not None:
        found.append('"n":"temperature","u":"Cel"%s,"v":%s}' % (time, decimal(temperature, 2)))
    if conductivity is not None:
        found.append('"n":"conductivity","u":"S/m"%s,"v":%s}' % (time, decimal(conductivity, 6)))
    if voltage is not None:
        found.append('"n":"voltage","u":"V"%s,"v":%s}' % (time, decimal(voltage, 6)))
    return found


def pack(samples, boot=None, uptime_ms=None):
    """A pack's bytes. Without `boot` the samples' times are UNIX milliseconds, and the base is in whole seconds.

    With it they are milliseconds of that boot's uptime, written relative to `uptime_ms`, the moment of sending.
    """
    if boot is None:
        base_ms = samples[0][0] // 1000 * 1000
        head = '[{"bt":%d,' % (base_ms // 1000)
    else:
        base_ms = uptime_ms
        head = '[{"boot":%s,"uptime_ms":%d,' % (json.dumps(boot), uptime_ms)
    records = []
    for sample in samples:
        records += _records(sample, sample[0] - base_ms)
    return (head + ",{".join(records) + "]").encode()
