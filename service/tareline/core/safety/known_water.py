"""What is known of a tank's water, from readings and from probes, held against the tank's lines."""

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

PROBE_SPAN_C = 1.0  # a probe's thermometer is true to 0.5 K (DS18B20 data sheet)


@dataclass(frozen=True, slots=True)
class SampledLine:
    """A line beyond which samples have been for long enough; proven: whether they may hold feeding."""

    line: Line
    known: KnownValue
    probe: str
    proven: bool


@dataclass(frozen=True, slots=True)
class SampleSummary:
    """What samples say of a tank.

    newest: by analyte, the newest proven value and its instant. recent: those of them that tell of the water now, on
    which a release may rest.
    """

    crossed: tuple[SampledLine, ...] = ()
    newest: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    recent: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    issues: tuple[tuple[str, ProbeIssue], ...] = ()
    offsets: Mapping[tuple[str, str], Offset] = field(default_factory=dict)


def newest_temperature(latest: Mapping[str, Reading], sampled: SampleSummary) -> Reading | None:
    """The newest temperature, from a reading or from a probe on the tank that is proven (which has no entry)."""
    found = [latest["temperature"]] if "temperature" in latest else []
    if "temperature" in sampled.newest:
        value, at_ms = sampled.newest["temperature"]
        found.append(Reading(0, at_ms, "temperature", value, resolution=PROBE_SPAN_C))
    return max(found, key=lambda one: one.at_ms, default=None)


@dataclass(frozen=True, slots=True)
class WaterState:
    """Every line that the water crosses, and what is known of it."""

    found: list[Crossing]
    known: dict[str, KnownValue]


def known_now(latest: Mapping[str, Reading], sampled: SampleSummary, now_ms: int) -> dict[str, KnownValue]:
    """What is known of the water with the newest samples, by analyte: what a release needs rests on this."""
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
    """Hold what is known of the water now against the tank's lines.

    A reading stops to count where a newer sample lies clear of the line, and samples where a newer reading does.
    Samples were looked at a while ago: by lines, and of probes, that may be others now. lines: as they act now.
    probes: those on the tank now. since_ms: what was known before does not count (of an empty tank: since it is).
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
    """What readings say; un-ionised ammonia follows from the newest temperature, a probe's too."""
    return known_water(latest, newest_temperature(latest, sampled), now_ms)
