"""The present values of a tank's water, from readings and from probes, compared with the tank's lines."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from tareline.core.probes.condition import Offset, ProbeIssue
from tareline.core.safety.lines import (
    Circumstances,
    Crossing,
    KnownValue,
    Line,
    crossings,
    known_water,
    sampled_crossing,
    with_samples,
)
from tareline.core.water.readings import Reading

PROBE_SPAN_C = 1.0  # a probe's thermometer is accurate to plus or minus 0.5 K (DS18B20 data sheet)


@dataclass(frozen=True, slots=True)
class SampledLine:
    """A line that samples have crossed for long enough; proven: whether these samples may hold feeding."""

    line: Line
    known: KnownValue
    probe: str
    proven: bool


@dataclass(frozen=True, slots=True)
class SampleSummary:
    """The results of a tank's probes.

    newest: for each analyte the newest proven value and its instant. recent: those of them that are recent enough for a
    release. issues: (probe, issue) pairs. offsets: by probe and metric.
    """

    crossed: tuple[SampledLine, ...] = ()
    newest: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    recent: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    issues: tuple[tuple[str, ProbeIssue], ...] = ()
    offsets: Mapping[tuple[str, str], Offset] = field(default_factory=dict)


def newest_temperature(latest: Mapping[str, Reading], sampled: SampleSummary) -> Reading | None:
    """The newest temperature, from a reading or from a probe with proven samples (whose entry is 0)."""
    found = [latest["temperature"]] if "temperature" in latest else []
    if "temperature" in sampled.newest:
        value, at_ms = sampled.newest["temperature"]
        found.append(Reading(0, at_ms, "temperature", value, resolution=PROBE_SPAN_C))
    return max(found, key=lambda one: one.at_ms, default=None)


@dataclass(frozen=True, slots=True)
class WaterState:
    """All lines that the water crosses, and the known value of each analyte."""

    found: list[Crossing]
    known: dict[str, KnownValue]


def known_now(latest: Mapping[str, Reading], sampled: SampleSummary, now_ms: int) -> dict[str, KnownValue]:
    """The known values by analyte, including the newest samples; the conditions of a release are tested with them."""
    return with_samples(_by_hand(latest, sampled, now_ms), sampled.recent)


def check_lines(
    latest: Mapping[str, Reading],
    sampled: SampleSummary,
    lines: Sequence[Line],
    probes: Collection[str],
    stage: str,
    why: Circumstances,
    since_ms: int,
    now_ms: int,
) -> WaterState:
    """Compare the present values of the water with the tank's lines.

    A reading no longer counts once a newer sample is clear of the line, nor do samples once a newer reading is. The
    samples were evaluated earlier, perhaps with other lines or probes. lines: as they act now. probes: those on the
    tank now. since_ms: older values do not count (for an empty tank: since it is empty).
    """
    by_hand = _by_hand(latest, sampled, now_ms)
    known = with_samples(by_hand, sampled.recent)
    found = [c for c in crossings(lines, by_hand, stage, why) if known[c.line.analyte].reaches(c.line)]
    for one in sampled.crossed:
        hand = by_hand.get(one.line.analyte)
        denied = hand is not None and hand.at_ms > one.known.at_ms and not hand.reaches(one.line)
        if one.line in lines and one.probe in probes and not denied:
            found.append(sampled_crossing(one.line, one.known, one.probe, one.proven, stage, now_ms))
    return WaterState([c for c in found if c.known.at_ms >= since_ms], known)


def _by_hand(latest: Mapping[str, Reading], sampled: SampleSummary, now_ms: int) -> dict[str, KnownValue]:
    """The known values from readings; un-ionised ammonia uses the newest temperature, which may be a probe's."""
    return known_water(latest, newest_temperature(latest, sampled), now_ms)
