"""The samples of a tank's probes compared with its lines, and the issues of the probes: kept ready.

A plausible sample may notify; a proven one may also reduce or hold feeding. The recent days are checked sample by
sample, the two months before them by hourly means, so that a probe that has been in the air for a long time is not
mistaken for one in steady water.
"""

from collections.abc import Sequence

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.projection import Projection
from tareline.core.probes.condition import SILENT_MS, Offset, ProbeIssue, offset, probe_issues
from tareline.core.probes.plausibility import (
    METRIC_LIMITS,
    CheckedSample,
    check_samples,
    dry_spans,
    near,
    plausible,
    proven,
)
from tareline.core.safety.exceedance import exceedances, rule_for
from tareline.core.safety.known_water import SampledLine, SampleSummary
from tareline.core.safety.lines import KnownValue, Line
from tareline.core.units import DAY_MS, HOUR_MS
from tareline.core.water.conductivity import tds_mg_per_l
from tareline.store import ledger, series
from tareline.store.ledger import Stay

FINE_MS = 3 * DAY_MS
COARSE_MS = 60 * DAY_MS
EVERY_MS = 5 * 60_000  # water changes slowly: checking more often finds nothing sooner
METRICS = ("temperature", "tds")
NEAR_MS = 10 * 60_000  # a conductivity is compensated by a temperature this near

Points = list[tuple[int, float]]


class Samples:
    """The results of every tank's probes. `compute` is called by one thread; `of` by any."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._cache = Projection[str, tuple[int, object], SampleSummary](_is_stale)
        self._started_ms = context.stamp_ms()

    def of(self, tank: str) -> SampleSummary:
        """The results of the last check."""
        return self._cache.value(tank) or SampleSummary()

    def compute(self, tank: str, now_ms: int) -> SampleSummary:
        """Check a tank's samples, unless that was done within five minutes and nothing else has changed since."""
        with self._context.store.read() as tx:
            lines, stays = repository.lines_now(tx, self._context, tank, now_ms), self._stays(tank)
            by_hand = [e.id for metric in METRICS for e in ledger.newest(tx, "reading", tank=tank, subject=metric)]
            basis = (now_ms, (lines, stays, by_hand))
            if not self._cache.is_stale(tank, basis):
                return self.of(tank)
            parts = [self._probe(tx, tank, stay, lines, now_ms) for stay in stays]
        crossed = tuple(c for part in parts for c in part.crossed)
        newest: dict[str, tuple[float, int]] = {}
        for part in parts:
            for analyte, value in part.newest.items():
                if analyte not in newest or newest[analyte][1] < value[1]:
                    newest[analyte] = value
        recent = {a: value for a, value in newest.items() if now_ms - value[1] <= rule_for(a, 0.0).gap_ms}
        offsets = {key: value for part in parts for key, value in part.offsets.items()}
        found = SampleSummary(crossed, newest, recent, tuple(a for part in parts for a in part.issues), offsets)
        return self._cache.put(tank, basis, found)

    def _stays(self, tank: str) -> list[Stay]:
        """The probes that are on the tank now, since when."""
        return [stay for stay in self._context.register.stays("probe", tank) if stay[2] is None]

    def _probe(self, tx: Connection, tank: str, stay: Stay, lines: Sequence[Line], now_ms: int) -> SampleSummary:
        probe = stay[0]
        celsius = self._points(tx, stay, "temperature", now_ms)
        siemens = self._points(tx, stay, "conductivity", now_ms)
        factor = repository.tds_factor(self._context, tank)
        since_ms = now_ms - COARSE_MS
        works = [e.at_ms for e in ledger.standing(tx, tank, (), ("water-change", "top-up"), since_ms)]
        hands: dict[str, Points] = {metric: [] for metric in METRICS}
        for reading in repository.readings(tx, self._context, tank, since_ms):
            if reading.analyte in hands and not reading.chart:
                hands[reading.analyte].append((reading.at_ms, reading.value))
        dry = dry_spans(siemens, celsius)
        crossed: list[SampledLine] = []
        newest: dict[str, tuple[float, int]] = {}
        issues: list[tuple[str, ProbeIssue]] = []
        offsets: dict[tuple[str, str], Offset] = {}
        for metric, points in (("temperature", celsius), ("tds", tds_points(siemens, celsius, factor))):
            if not points:
                continue
            checked = check_samples(metric, points, hands[metric], works, dry)
            known = proven(checked)
            found = probe_issues(metric, points, hands[metric], now_ms, works, dry)
            apart = offset(metric, points, hands[metric])
            # A thermometer that hangs in calm air looks like one in water; a cell beside it tells wet from dry.
            sure = bool(siemens) and all(issue.trusted for issue in found)
            own = [line for line in lines if line.analyte == metric]
            for line in own:
                one = _crossed(line, probe, _since_denied(checked, line, hands[metric]), sure, now_ms)
                crossed += [one] if one is not None else []
            drifted = any(issue.kind == "drifting" and not issue.trusted for issue in found)
            if known and not drifted and (siemens or _agreed(metric, known, hands[metric])):
                newest[metric] = (known[-1][1], known[-1][0])
            # Samples that a probe stored while the service was down arrive soon after its start, so no probe counts as
            # silent until then. An issue of the whole probe is reported for one metric only.
            early = now_ms - self._started_ms < SILENT_MS
            told = {one.kind for _, one in issues} & {"dry", "silent"} | ({"silent"} if early else set())
            issues += [(probe, issue) for issue in found if issue.kind not in told]
            if apart is not None:
                offsets[probe, metric] = apart
        return SampleSummary(tuple(crossed), newest, {}, tuple(issues), offsets)

    def _points(self, tx: Connection, stay: Stay, metric: str, now_ms: int) -> Points:
        """Samples of the last days, and hourly means of two months before."""
        fine_ms = now_ms - FINE_MS - now_ms % HOUR_MS
        hours = COARSE_MS // HOUR_MS
        before = series.points(tx, [stay], metric, fine_ms - COARSE_MS, fine_ms, hours)
        recent = series.samples(tx, [stay], metric, fine_ms, now_ms + 1).get(stay[0], [])
        return [(p.at_ms, p.mean) for p in before] + recent


def _is_stale(before: tuple[int, object], now: tuple[int, object]) -> bool:
    """Samples come all the time: they are looked at every five minutes, and when anything else has changed."""
    return before[1] != now[1] or not 0 <= now[0] - before[0] < EVERY_MS


def tds_points(siemens: Points, celsius: Points, factor: float) -> Points:
    """Dissolved solids in mg/L, where a temperature was taken near; both series ascending."""
    found: Points = []
    i = 0
    for at_ms, value in siemens:
        while i + 1 < len(celsius) and abs(celsius[i + 1][0] - at_ms) <= abs(celsius[i][0] - at_ms):
            i += 1
        if celsius and abs(celsius[i][0] - at_ms) <= NEAR_MS:
            found.append((at_ms, tds_mg_per_l(value, celsius[i][1], factor)))
    return found


def _since_denied(checked: Sequence[CheckedSample], line: Line, hands: Points) -> Sequence[CheckedSample]:
    """The samples since a reading by hand last was clear of a line; earlier ones no longer count."""
    denied_ms = max((at_ms for at_ms, value in hands if not line.crossed_by(value)), default=None)
    return checked if denied_ms is None else [j for j in checked if j.at_ms > denied_ms]


def _agreed(metric: str, known: Points, hands: Points) -> bool:
    """Whether a reading by hand ever agreed with a probe, which shows that it was in the water then."""
    return any(
        abs(value - hand) <= METRIC_LIMITS[metric].agree for at_ms, hand in hands for _, value in near(known, at_ms)
    )


def _crossed(line: Line, probe: str, checked: Sequence[CheckedSample], sure: bool, now_ms: int) -> SampledLine | None:
    """The line, if samples are beyond it now and have been for long enough. sure: whether proven samples may act."""
    rule = rule_for(line.analyte, line.canonical)
    for points, acts in ((proven(checked), sure), (plausible(checked), False)):
        if not points or now_ms - points[-1][0] > rule.gap_ms:
            continue
        found = exceedances(points, line.canonical, line.above, rule)
        if found and found[-1].to_ms is None:
            known = KnownValue(line.analyte, found[-1].last, found[-1].from_ms, 0, True)
            return SampledLine(line, known, probe, acts)
    return None
