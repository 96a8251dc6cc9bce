"""A planned absence as it is shown: what is in force, and what a helper who visits the tank meanwhile must know."""

from collections.abc import Sequence

from sqlalchemy import Connection

from tareline.app.answers.base import Answer, LocalDay, LocalTime
from tareline.app.answers.feeding import AbsenceAnswer
from tareline.app.answers.things import FoodAnswer, WaterAnswer
from tareline.app.context import Context
from tareline.app.snapshot import TankSnapshot
from tareline.core.calendar import ONE_DAY, rfc3339
from tareline.core.feeding.absence import CAP_TO_DAILY, Absence
from tareline.core.feeding.ration import ration_on
from tareline.store import ledger


class Portion(Answer):
    """What a feeder gives in one meal, and at which local times."""

    feeder: str
    mass_g: float
    at: list[str]
    food: FoodAnswer | None


class TemperatureReading(Answer):
    """The newest temperature of the water."""

    c: float
    at: LocalTime


class HelperInstructions(Answer):
    """What a helper must know during an absence.

    days: the number of days of the absence. back: the day on which the usual ration returns.
    """

    absence: AbsenceAnswer
    days: int
    portions: list[Portion]
    water: WaterAnswer | None
    temperature: TemperatureReading | None
    printed: LocalDay
    back: LocalDay


def absence_view(tank: TankSnapshot) -> AbsenceAnswer:
    """The absence that runs or is planned; every value None where there is none."""
    found = tank.coming_absences
    if not found:
        return AbsenceAnswer(state="none")
    absence = found[-1]
    return AbsenceAnswer(
        state="running" if absence.covers(tank.today) else "planned",
        start=absence.start.isoformat(),
        end=absence.end.isoformat(),
        daily_g=absence.daily_g,
        cap_g=CAP_TO_DAILY * absence.daily_g,
        tell=absence.tell,
        entry=absence.entry,
        decided_at=rfc3339(absence.recorded_ms, tank.zone),
    )


def helper_instructions(tx: Connection, context: Context, tank: TankSnapshot) -> HelperInstructions | None:
    """What the sheet for a helper says of a tank: the portions that its feeders give meanwhile, the water to top up
    with, the usual temperature; None where no absence is planned."""
    found = tank.coming_absences
    if not found:
        return None
    absence, celsius = found[-1], tank.temperature
    return HelperInstructions(
        absence=absence_view(tank),
        days=(absence.end - absence.start).days + 1,
        portions=_portions(context, tank, absence),
        water=_water(tx, context, tank.id),
        temperature=None
        if celsius is None
        else TemperatureReading(c=celsius.value, at=rfc3339(celsius.at_ms, tank.zone)),
        printed=tank.today.isoformat(),
        back=(absence.end + ONE_DAY).isoformat(),
    )


def _portions(context: Context, tank: TankSnapshot, absence: Absence) -> list[Portion]:
    """What each feeder gives in one meal, and at which times; equal meals of a feeder once."""
    ration = ration_on(absence.start, tank.zone, tank.rations(absence.start))
    feeders = [feeder.name for feeder in tank.feeders]
    times: dict[tuple[str, float], list[str]] = {}
    for meal in ration.meals if ration is not None else ():
        owner = meal.feeder or (feeders[0] if feeders else None)
        if owner in feeders and ration is not None and ration.daily_g * meal.share > 0:
            times.setdefault((str(owner), round(ration.daily_g * meal.share, 6)), []).append(meal.at)
    return [
        Portion(feeder=feeder, mass_g=mass_g, at=at, food=_food(context, feeder))
        for (feeder, mass_g), at in times.items()
    ]


def _food(context: Context, feeder: str) -> FoodAnswer | None:
    food = (context.register.now("feeder", feeder) or {}).get("food")
    return (
        None if food is None else FoodAnswer.model_validate({"id": food, **(context.register.now("food", food) or {})})
    )


def _water(tx: Connection, context: Context, tank: str) -> WaterAnswer | None:
    """The source water that was last said to go in."""
    entries = [e for kind in ("top-up", "water-change") for e in ledger.newest(tx, kind, tank=tank, limit=5)]
    named: Sequence[str] = [e.body["water"] for e in sorted(entries, key=lambda e: -e.at_ms) if e.body.get("water")]
    if not named:
        return None
    return WaterAnswer.model_validate({"id": named[0], **(context.register.now("water", named[0]) or {})})
