"""The probe's packs as the service reads them: every digit and every millisecond arrives."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from tareline.mqtt.senml import extra, parse, resolve
from tareline.resources import load_firmware

packs = load_firmware("packs")
SCALES = {"temperature": 100, "conductivity": 10**6, "voltage": 10**6}
UNITS = {"temperature": "Cel", "conductivity": "S/m", "voltage": "V"}

values = st.tuples(
    st.none() | st.integers(-5500, 12500),
    st.none() | st.integers(0, 100 * 10**6),
    st.none() | st.integers(0, 100 * 10**6),
).filter(lambda sample: sample != (None, None, None))
clock_ms = st.integers(1_577_836_800_000, 4_102_444_799_999)


def told(samples):
    """What a pack of these samples must say: (name, unit, value, time in milliseconds)."""
    names = ("temperature", "conductivity", "voltage")
    return [
        (name, UNITS[name], value / SCALES[name], at_ms)
        for at_ms, *found in samples
        for name, value in zip(names, found, strict=True)
        if value is not None
    ]


@given(st.lists(st.tuples(clock_ms, values).map(lambda s: (s[0], *s[1])), min_size=1, max_size=packs.MOST_SAMPLES))
def test_with_a_clock_the_service_reads_what_was_measured_when_it_was_measured(samples) -> None:
    payload = packs.pack(samples)
    records = parse(payload)
    assert records[0].bt == samples[0][0] // 1000
    found = resolve(records)
    assert not any(record.relative for record in found)
    # The service places a sample at the nearest millisecond.
    assert [(r.name, r.unit, r.value, round(r.time_s * 1000)) for r in found] == told(samples)


@given(st.data())
def test_without_a_clock_times_are_relative_to_sending_and_the_first_record_says_whose_uptime(data) -> None:
    uptime_ms = data.draw(st.integers(0, 2**27 * 1000))
    ages = data.draw(st.lists(st.integers(0, uptime_ms), min_size=1, max_size=packs.MOST_SAMPLES))
    samples = [(uptime_ms - age, *data.draw(values)) for age in sorted(ages, reverse=True)]
    records = parse(packs.pack(samples, "boot-1", uptime_ms))
    assert (extra(records, "boot"), extra(records, "uptime_ms")) == ("boot-1", uptime_ms)
    found = resolve(records)
    assert all(record.relative for record in found)
    assert [(r.name, r.unit, r.value, round(r.time_s * 1000) + uptime_ms) for r in found] == told(samples)


def test_the_largest_pack_fits_four_kibibytes() -> None:
    late = 1_792_879_200_001
    samples = [(late + minute * 86_399_998, -5499, 99_999_999, 99_999_999) for minute in range(packs.MOST_SAMPLES)]
    assert len(packs.pack(samples)) <= 4096


@given(st.integers(-(10**15), 10**15), st.integers(1, 6))
def test_a_decimal_says_exactly_the_whole_number_it_was_made_from(value, digits) -> None:
    assert Decimal(packs.decimal(value, digits)).scaleb(digits) == value


def test_a_boot_with_quotes_in_it_is_still_json() -> None:
    assert extra(parse(packs.pack([(0, 1, 1, 1)], 'a"b', 0)), "boot") == 'a"b'
