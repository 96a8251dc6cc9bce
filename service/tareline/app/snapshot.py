"""One snapshot of a tank: everything on which holds, plans, the due list, the ramp, alerts and the overview are based.

It is read once in a transaction and is then a value; everything else is calculated from it by functions. Within a
transaction that writes, what is entered after the reading is put into the snapshot too, so that later steps see it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.core.calendar import ONE_DAY, day_end_ms, day_of, day_start_ms
from tareline.core.feeding.absence import Absence, rations_from, settled
from tareline.core.feeding.books import Feedings, Span, carried_over_g, sized
from tareline.core.feeding.ration import Ration, in_force_since_ms
from tareline.core.safety.hold import HoldState, Reason
from tareline.core.safety.known_water import SampleSummary, WaterState, check_lines, known_now, newest_temperature
from tareline.core.safety.lines import Circumstances, KnownValue, Line, raised
from tareline.core.safety.stops import IssuedHold, Stop
from tareline.core.units import ANALYTES
from tareline.core.water.readings import Reading
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device, Issued
from tareline.store.ledger import Asked, Entry

OF_FEEDER = ("hopper", "stop", "gain")
WATER_ENTRIES = ("water-change", "top-up")


@dataclass(frozen=True, slots=True)
class FeederSnapshot:
    """A feeder: its own last reports, the last messages to it, and the state of its hopper.

    plan, hold: the messages that were issued last. off_since_ms: since when the hopper is off its cell, None while it
    hangs. stop: its own stop, until it has confirmed the release. stop_noted_ms: when a stop or its end was last
    recorded. gain_g_per_step: the last one calculated from its past, else the one that it announces.
    """

    device: Device
    plan: Issued | None = None
    hold: Issued | None = None
    off_since_ms: int | None = None
    stop: Stop | None = None
    stop_noted_ms: int = 0
    gain_g_per_step: float | None = None

    @property
    def name(self) -> str:
        return self.device.device

    @property
    def told(self) -> IssuedHold | None:
        """The hold message it was issued last, and whether it has confirmed it."""
        if self.hold is None:
            return None
        version = self.hold.version
        return IssuedHold(version, bool(self.hold.body["held"]), self.device.confirms("hold", version))


@dataclass(frozen=True)
class TankSnapshot:
    """A tank as one transaction sees it.

    now_ms: when it was read. since_ms: from when the tank is on; emptied_ms: since when it is empty, else None.
    decided: every ration as it was decided, oldest first. absences: every one that came to hold, in that order.
    lines: as they are set. holds: what is in force, and the periods that reach past the beginning of `fed`, or past the
    instant since when the ration is in force where a ramp was set. latest: the newest reading of each analyte with its
    entry. sampled: what is believed of probes' samples, with what it rests on. fed: from the beginning of the day
    before the first that was asked for, to the end of the last. ramp: the entries of the newest ramp.
    """

    id: str
    name: str
    zone: str
    stage: str
    now_ms: int
    since_ms: int
    emptied_ms: int | None
    decided: tuple[Ration, ...]
    absences: tuple[Absence, ...]
    lines: tuple[Line, ...]
    own_lines: bool
    holds: HoldState
    latest: Mapping[str, tuple[Reading, Entry]]
    sampled: SampleSummary
    circumstances: Circumstances
    fed: Feedings
    feeders: tuple[FeederSnapshot, ...]
    probes: tuple[str, ...]
    ramp: tuple[Entry, ...] = field(default=())

    @property
    def today(self) -> date:
        return day_of(self.now_ms, self.zone)

    @cached_property
    def readings(self) -> Mapping[str, Reading]:
        """The newest reading of each analyte."""
        return {analyte: reading for analyte, (reading, _) in self.latest.items()}

    @property
    def temperature(self) -> Reading | None:
        """The newest temperature, by hand or by a probe that is believed."""
        return newest_temperature(self.readings, self.sampled)

    @cached_property
    def known(self) -> Mapping[str, KnownValue]:
        """What is known of the water now, by analyte."""
        return known_now(self.readings, self.sampled, self.now_ms)

    @cached_property
    def water(self) -> WaterState:
        """The water against the lines as they act now; of an empty tank, what was known since it is empty."""
        why, since_ms = self.circumstances, self.emptied_ms or 0
        return check_lines(
            self.readings, self.sampled, self.lines_now, self.probes, self.stage, why, since_ms, self.now_ms
        )

    @property
    def lines_now(self) -> tuple[Line, ...]:
        """The lines as they act now: one step more strictly during an absence."""
        return raised(self.lines) if self.away is not None else self.lines

    @property
    def away(self) -> Absence | None:
        """The absence that is under way."""
        return next((absence for absence in self.absences if absence.covers(self.today)), None)

    @property
    def coming_absences(self) -> list[Absence]:
        """The absences that hold today or later."""
        return [absence for absence in self.absences if absence.end >= self.today]

    @property
    def last_ration(self) -> Ration | None:
        """The ration decided last, as it was decided."""
        return self.decided[-1] if self.decided else None

    def with_ration(self, new: Ration) -> "TankSnapshot":
        """The tank once one more ration has been decided."""
        return replace(self, decided=(*self.decided, new))

    def with_absence(self, new: Absence) -> "TankSnapshot":
        """The tank once one more absence has been decided."""
        return replace(self, absences=tuple(settled([*self.absences, new], self.zone)))

    def rations(self, day: date) -> list[Ration]:
        """The rations that matter from a local day on, as they hold through absences."""
        return rations_from(self.decided, self.absences, self.zone, day_start_ms(day, self.zone))

    def fed_on(self, day: date) -> Feedings:
        """What went in on a local day within what was read."""
        return self.fed.within(day_start_ms(day, self.zone), day_end_ms(day, self.zone))

    def carried_g(self, day: date) -> float:
        """What a local day is fed besides its ration, from what remained of the day before."""
        held = [Span(p.from_ms, p.to_ms) for p in self.holds.periods]
        return carried_over_g(day, self.zone, self.decided, self.absences, self.fed, held)

    def needs(self, reason: Reason) -> str | None:
        """What must happen before a person may release a reason; None where nothing more."""
        return reason.needs(self.known.get(reason.analyte or ""))


class Snapshots:
    """The tanks as one transaction sees them, each read when it is first asked for, and what all of them share."""

    def __init__(self, tx: Connection, context: Context, samples: Samples) -> None:
        self.tx = tx
        self.context = context
        self._samples = samples
        self._tanks: dict[str, TankSnapshot] = {}
        self._feeders: dict[str, FeederSnapshot] = {}

    @cached_property
    def issued(self) -> dict[tuple[str, str], Issued]:
        """What every device was told last."""
        return device_store.issued(self.tx)

    @cached_property
    def devices(self) -> dict[str, Device]:
        """What every device said last."""
        return device_store.load(self.tx)

    def of(self, tank: str, first: date | None = None, last: date | None = None) -> TankSnapshot:
        """A tank as it stands, with what was fed from the day before `first` to `last`; today where nothing is said.

        The days are those of the first call for a tank. Raises FieldError (404) where there is no such tank.
        """
        if tank not in self._tanks:
            self._tanks[tank] = self._read(tank, first, last)
        return self._tanks[tank]

    def put(self, tank: TankSnapshot) -> None:
        """Replace a tank's snapshot by one that includes what was entered after the reading."""
        self._tanks[tank.id] = tank

    def feeder(self, name: str) -> FeederSnapshot:
        """A feeder, on a tank or on none."""
        tank = self._tank_with(name)
        if tank is not None:
            return next(one for one in tank.feeders if one.name == name)
        if name not in self._feeders:
            asked = _of_feeder(name)
            self._feeders[name] = self._feeder(name, ledger.newest_of(self.tx, list(asked.values())), asked)
        return self._feeders[name]

    def put_feeder(self, feeder: FeederSnapshot) -> None:
        """Replace a feeder's snapshot by one that includes what was entered after the reading."""
        before = self._tank_with(feeder.name)
        if before is None:
            self._feeders[feeder.name] = feeder
        else:
            self.put(replace(before, feeders=tuple(feeder if f.name == feeder.name else f for f in before.feeders)))

    def _tank_with(self, feeder: str) -> TankSnapshot | None:
        """The tank that a feeder is on; None where it is on none, or has come to it since that was read."""
        ref = (self.context.register.now("feeder", feeder) or {}).get("tank")
        tank = self.of(ref) if ref is not None else None
        return tank if tank is not None and any(one.name == feeder for one in tank.feeders) else None

    def _read(self, tank: str, first: date | None, last: date | None) -> TankSnapshot:
        context, now_ms = self.context, self.context.stamp_ms()
        body, versions = context.need("tank", tank), context.register.history("tank", tank)
        zone, stage = str(body["timezone"]), str(body["stage"])
        today = day_of(now_ms, zone)
        start_ms = day_start_ms((first or today) - ONE_DAY, zone)
        end_ms = day_end_ms(last or today, zone)
        feeders = context.register.devices_of("feeder", tank)
        of_feeders = {name: _of_feeder(name) for name in feeders}
        readings = {analyte: Asked("reading", tank=tank, subject=analyte) for analyte in ANALYTES}
        water = [Asked(kind, tank=tank, before_ms=now_ms + 1, limit=5) for kind in WATER_ENTRIES]
        ramp = Asked("ramp", tank=tank, subject="set")
        own = [one for asked in of_feeders.values() for one in asked.values()]
        newest = ledger.newest_of(self.tx, [*readings.values(), *water, ramp, *own])
        decided, absences = repository.rations_and_absences(self.tx, tank, zone)
        holds_ms = start_ms
        road: tuple[Entry, ...] = ()
        if newest[ramp]:
            began_ms = newest[ramp][0].body["began_ms"]
            road = tuple(ledger.standing(self.tx, tank, (), ["ramp"], began_ms))
            holds_ms = min(start_ms, in_force_since_ms(decided, zone) or start_ms)
        entries = ledger.standing(
            self.tx, tank, context.register.stays("feeder", tank), repository.FED_KINDS, start_ms, end_ms
        )
        fed = repository.fed_of(entries)
        factor = repository.tds_factor(context, tank)
        first_ms = versions[0].at_ms
        return TankSnapshot(
            id=tank,
            name=str(body["name"]),
            zone=zone,
            stage=stage,
            now_ms=now_ms,
            since_ms=first_ms,
            emptied_ms=repository.emptied_ms(versions),
            decided=tuple(decided),
            absences=tuple(absences),
            lines=repository.lines(context, tank),
            own_lines=context.register.now("lines", tank) is not None,
            holds=repository.hold_state(self.tx, tank, holds_ms),
            latest={
                analyte: (repository.reading(newest[asked][0], factor), newest[asked][0])
                for analyte, asked in readings.items()
                if newest[asked]
            },
            sampled=self._samples.of(tank),
            circumstances=repository.explained(
                context, first_ms, [entry for asked in water for entry in newest[asked]], now_ms
            ),
            fed=replace(fed, doses=tuple(sized(fed.doses, zone, decided, absences))),
            feeders=tuple(self._feeder(name, newest, asked) for name, asked in of_feeders.items()),
            probes=tuple(context.register.devices_of("probe", tank)),
            ramp=road,
        )

    def _feeder(self, name: str, newest: Mapping[Asked, Sequence[Entry]], asked: Mapping[str, Asked]) -> FeederSnapshot:
        hopper, stop, gain = (next(iter(newest[asked[kind]]), None) for kind in OF_FEEDER)
        device = self.devices.get(name, Device(name))
        said = (device.hello or {}).get("gain_g_per_step")
        return FeederSnapshot(
            device=device,
            plan=self.issued.get((name, "plan")),
            hold=self.issued.get((name, "hold")),
            off_since_ms=None if hopper is None or hopper.body["hung"] else hopper.at_ms,
            stop=repository.stop_of(stop),
            stop_noted_ms=0 if stop is None else stop.at_ms,
            gain_g_per_step=said if gain is None else float(gain.body["gain_g_per_step"]),
        )


def _of_feeder(name: str) -> dict[str, Asked]:
    return {kind: Asked(kind, device=name) for kind in OF_FEEDER}
