"""The record of a ramp on one page: what was fed, what the water did, the limit, the ration to keep, and the conditions
under which that holds."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.ramp import RampSetting
from tareline.app.answers.ramp_record import (
    AnalyteSeen,
    FoodSeen,
    NoteSeen,
    RampConditions,
    RampRecordAnswer,
    RampStage,
)
from tareline.app.answers.things import NamedTank
from tareline.app.answers.water import StatedAnswer
from tareline.app.commands.ramp import SET, RampHistory, Ramps, read_road
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.core.calendar import rfc3339
from tareline.core.feeding.books import Span, joined_spans
from tareline.core.feeding.ration import Ration, in_force_since_ms
from tareline.core.units import DAY_MS
from tareline.errors import FieldError
from tareline.store import ledger
from tareline.store.ledger import Entry

WATCHED = ("ammonia", "nitrite", "nitrate", "tds", "kh", "ph")
OF_THE_TANK = ("plants", "harvest", "filter", "stocking", "loss")


@dataclass
class Stage:
    """One ration of the road and what was entered while it was fed: [from, to) in milliseconds."""

    daily_g: float
    from_ms: int
    to_ms: int
    readings: dict[str, list[Entry]] = field(default_factory=dict)


def stages(rations: Sequence[Ration], zone: str, began_ms: int, ended_ms: int) -> list[Stage]:
    """The rations in force between two instants, each from when it was in force; one that never was is left out."""
    found: list[Stage] = []
    for i, ration in enumerate(rations):
        from_ms = max(began_ms, in_force_since_ms(rations[: i + 1], zone) or began_ms)
        if from_ms >= ended_ms:
            continue
        while found and found[-1].from_ms >= from_ms:
            found.pop()
        if not found or found[-1].daily_g != ration.daily_g:
            found.append(Stage(ration.daily_g, from_ms, ended_ms))
    for stage, after in pairwise(found):
        stage.to_ms = after.from_ms
    return found


def record(context: Context, accounts: Accounts, ramps: Ramps, tank: str) -> RampRecordAnswer:
    """The record of the newest ramp of a tank, whether it has ended or not. Raises FieldError (404) without one."""
    zone = context.zone(tank)
    now_ms = context.stamp_ms()
    shown = ramps.view(tank)
    with context.store.read() as tx:
        road = read_road(tx, tank)
        if road is None:
            raise FieldError("tank", f"no ramp has been set for {tank!r}", 404)
        ended_ms = road.decided[-1].at_ms if road.ended else now_ms
        passed = stages(road.rations, zone, road.ramp.set_ms, max(ended_ms, road.ramp.set_ms + 1))
        for entry in ledger.standing(tx, tank, (), ["reading"], road.ramp.set_ms, ended_ms + 1):
            stage = next((s for s in reversed(passed) if s.from_ms <= entry.at_ms), passed[0])
            stage.readings.setdefault(str(entry.subject), []).append(entry)
        rows = _stage_rows(tx, context, accounts, tank, passed, now_ms)
        changed_l = _volumes_l(tx, tank, "water-change", road, ended_ms)
        topped_up_l = _volumes_l(tx, tank, "top-up", road, ended_ms)
        holds = ledger.standing(tx, tank, (), ["hold"], road.ramp.set_ms, ended_ms + 1)
        conditions = _conditions(tx, context, tank, road, ended_ms, zone)
    return RampRecordAnswer(
        tank=NamedTank(id=tank, name=context.need("tank", tank)["name"]),
        made_at=rfc3339(now_ms, zone),
        from_=rfc3339(road.ramp.set_ms, zone),
        to=rfc3339(ended_ms, zone),
        state=shown.state,
        ended=shown.ended,
        set=RampSetting(**{name: getattr(shown, name) for name in SET}),
        reasons=shown.reasons,
        waits_for=shown.waits_for,
        limit=shown.knowledge,
        keep_g_per_day=shown.keep_g_per_day,
        ration_g_per_day=shown.ration_g_per_day,
        stages=rows,
        water_changed_l=sum(volume or 0.0 for volume in changed_l),
        topped_up_l=sum(volume or 0.0 for volume in topped_up_l),
        topped_up_unknown=topped_up_l.count(None),
        holds=[entry.body["reason"] for entry in holds],
        conditions=conditions,
    )


def _stage_rows(
    tx: Connection, context: Context, accounts: Accounts, tank: str, passed: Sequence[Stage], now_ms: int
) -> list[RampStage]:
    """Of each stage: what was asked, dispensed and fed by hand, how long it was held, and what the water showed."""
    zone, factor = context.zone(tank), repository.tds_factor(context, tank)
    spans = [(stage.from_ms, stage.to_ms) for stage in passed]
    start_ms, end_ms = spans[0][0], spans[-1][1]
    doses, handfeeds = repository.fed(tx, context, tank, start_ms, end_ms)
    told = accounts.told(context.register.stays("feeder", tank), spans, doses, now_ms).each(spans)
    holds = repository.hold_state(tx, tank, start_ms)
    held = joined_spans([Span(p.from_ms, p.to_ms) for p in holds.periods if p.reason.do == "hold"])
    return [
        RampStage(
            daily_g=stage.daily_g,
            from_=rfc3339(stage.from_ms, zone),
            to=rfc3339(stage.to_ms, zone),
            days=(stage.to_ms - stage.from_ms) / DAY_MS,
            dispensed_g=one.mass_g,
            dispensed_sd_g=one.sd_g,
            handfed_g=sum(h.mass_g for h in handfeeds if stage.from_ms <= h.at_ms < stage.to_ms),
            held_days=sum(s.overlap_ms(stage.from_ms, stage.to_ms, now_ms) for s in held) / DAY_MS,
            readings={name: _seen(stage.readings[name], factor) for name in WATCHED if name in stage.readings},
        )
        for stage, one in zip(passed, told, strict=True)
    ]


def _seen(entries: Sequence[Entry], tds_factor: float) -> AnalyteSeen:
    newest = entries[-1].body
    scale = (newest["unit"], newest.get("basis"))
    alike = [e.body["value"] for e in entries if (e.body["unit"], e.body.get("basis")) == scale]
    last = StatedAnswer.of(repository.reading(entries[-1], tds_factor), entries[-1])
    return AnalyteSeen(n=len(entries), lowest=min(alike), highest=max(alike), newest=last)


def _volumes_l(tx: Connection, tank: str, kind: str, road: RampHistory, ended_ms: int) -> list[float | None]:
    """The volumes of a kind of inflow on the way, None where nobody measured one."""
    found = ledger.standing(tx, tank, (), [kind], road.ramp.set_ms, ended_ms + 1)
    return [entry.body.get("volume_l") for entry in found]


def _conditions(
    tx: Connection, context: Context, tank: str, road: RampHistory, ended_ms: int, zone: str
) -> RampConditions:
    """What the limit holds under: volume, food, plants, light and the rest, as the notes say."""
    body = context.register.at("tank", tank, ended_ms) or {}
    feeders = context.register.devices_of("feeder", tank)
    fed = {(context.register.now("feeder", feeder) or {}).get("food") for feeder in feeders} - {None}
    foods = [context.need("food", food) for food in sorted(str(food) for food in fed)]
    notes = ledger.standing(tx, tank, (), ["note"], None, ended_ms + 1)
    told = {kind: [n for n in notes if n.body["kind"] == kind] for kind in OF_THE_TANK}
    told["light"] = [n for n in notes if "light" in n.body["text"].lower() and n.body["kind"] not in OF_THE_TANK]
    # Of each kind what was noted on the way; where nothing was, the newest from before, which still holds.
    kept = {kind: [n for n in all_ if n.at_ms >= road.ramp.set_ms] or all_[-1:] for kind, all_ in told.items()}
    return RampConditions(
        volume_l=body["volume_l"],
        planted_area_cm2=body.get("planted_area_cm2"),
        light_h_per_day=body.get("light_h_per_day"),
        stage=body["stage"],
        nitrate_ceiling_mg_per_l=body["nitrate_ceiling_mg_per_l"],
        foods=[FoodSeen(name=food["name"], protein_percent=food["protein_percent"]) for food in foods],
        notes={
            kind: [NoteSeen(at=rfc3339(n.at_ms, zone), text=n.body["text"], share=n.body.get("share")) for n in found]
            for kind, found in kept.items()
        },
    )
