"""What a person or a program may enter, as it comes in over HTTP or from a form.

Unknown fields are refused by name: a slip in a field's name must not lose what was meant.
"""

import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self, TypeVar
from zoneinfo import available_timezones

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)
from pydantic.config import JsonDict

from tareline.core.identifiers import identifier
from tareline.core.units import CANONICAL, US_GALLON_L
from tareline.errors import FieldError, first_problem

MOST_LINES = 100
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def _zone(value: str) -> str:
    if value not in available_timezones():
        raise ValueError('expected a name of the IANA time zone database, like "Europe/Berlin"')
    return value


def _analyte(value: str) -> str:
    if value not in CANONICAL:
        raise ValueError(f"expected one of {', '.join(CANONICAL)}")
    return value


def _moment(value: Any) -> Any:
    """A bare number could be seconds, milliseconds or a date without its dashes: refused rather than guessed."""
    if isinstance(value, datetime) or (isinstance(value, str) and _DATE.match(value)):
        return value
    raise ValueError('expected a time like "2025-06-01T08:00:00+02:00"')


def _day(value: Any) -> Any:
    if isinstance(value, date) or (isinstance(value, str) and _DATE.fullmatch(value)):
        return value
    raise ValueError('expected a date like "2025-06-01"')


Moment = Annotated[AwareDatetime, BeforeValidator(_moment)]
Day = Annotated[date, BeforeValidator(_day)]
Identifier = Annotated[str, AfterValidator(identifier)]
Zone = Annotated[str, AfterValidator(_zone)]
Analyte = Annotated[str, AfterValidator(_analyte)]
Words = Annotated[str, Field(min_length=1, max_length=200)]
LongText = Annotated[str, Field(max_length=4000)]
Grams = Annotated[float, Field(ge=0, le=100_000)]
Figure = Annotated[float, Field(ge=0, le=1_000_000)]
Litres = Annotated[float, Field(gt=0, le=1_000_000)]
Resolution = Annotated[float, Field(gt=0, le=1000)]
TdsFactor = Annotated[float, Field(ge=0.3, le=1)]  # salts lie between 0.45 and 0.9 (instrument handbooks)


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    by: Words | None = None
    client_ref: Words | None = None


class _Entry(_Body):
    at: Moment | None = None


class _Volume(_Entry):
    """A volume in litres or in US gallons; litres are what is kept."""

    volume_l: Litres | None = None
    volume_us_gal: Annotated[float | None, Field(gt=0, le=264_172, exclude=True)] = None

    @model_validator(mode="after")
    def _in_litres(self) -> Self:
        if self.volume_l is not None and self.volume_us_gal is not None:
            raise ValueError("volume_l: expected either volume_l or volume_us_gal")
        if self.volume_us_gal is not None:
            self.volume_l, self.volume_us_gal = self.volume_us_gal * US_GALLON_L, None
        return self


class _Measured(_Volume):
    @model_validator(mode="after")
    def _there(self) -> Self:
        if self.volume_l is None:
            raise ValueError("volume_l: expected, or volume_us_gal, and not there")
        return self


class TankRequest(_Measured):
    """tds_factor: mg/L of dissolved solids for 1 uS/cm at 25 degC; what its dissolved solids are reckoned by.

    planted_area_cm2: area of the bottom that is planted; light_h_per_day: for how long it is lit. None: nobody said.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"id": "shelf", "name": "Reading room", "volume_l": 60, "timezone": "Europe/Berlin"}]
        }
    )

    id: Identifier
    name: Words
    timezone: Zone
    stage: Literal["no animals", "stocked", "empty"] = "stocked"
    nitrate_ceiling_mg_per_l: Annotated[float, Field(gt=0, le=1000)] = 40.0
    tds_factor: TdsFactor | None = None
    planted_area_cm2: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    light_h_per_day: Annotated[float, Field(ge=0, le=24)] | None = None


class TankChange(TankRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class FoodRequest(_Entry):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"id": "flakes", "name": "Plain flakes", "protein_percent": 44, "bulk_density_g_per_ml": 0.2}]
        }
    )

    id: Identifier
    name: Words
    protein_percent: Annotated[float, Field(ge=0, le=100)]
    particle_mg: Annotated[float, Field(gt=0, le=10_000)] | None = None
    bulk_density_g_per_ml: Annotated[float, Field(gt=0, le=10)] | None = None


class FoodChange(FoodRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class WaterRequest(_Entry):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": "tap",
                    "name": "Tap",
                    "tds_mg_per_l": 210,
                    "nitrate_mg_per_l": 12,
                    "kh_dkh": 6,
                    "chloramine": False,
                }
            ]
        }
    )

    id: Identifier
    name: Words
    tds_mg_per_l: Figure | None = None
    nitrate_mg_per_l: Figure | None = None
    ammonia_mg_per_l: Figure | None = None
    kh_dkh: Figure | None = None
    chloramine: bool = False


class WaterChange(WaterRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class KitRequest(_Entry):
    """A test somebody uses by hand: the steps of its scale, or an instrument with what it can tell apart.

    factor: mg/L per uS/cm that an instrument for dissolved solids uses; None: the tank's.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": "drops",
                    "name": "Ammonia drops",
                    "analyte": "ammonia",
                    "unit": "mg/L",
                    "basis": "ion",
                    "steps": [0, 0.25, 0.5, 1, 2],
                }
            ]
        }
    )

    id: Identifier
    name: Words
    analyte: Analyte
    unit: Words
    basis: str | None = None
    steps: Annotated[list[float], Field(min_length=2, max_length=100)] | None = None
    resolution: Resolution | None = None
    factor: TdsFactor | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> "KitRequest":
        if (self.steps is None) == (self.resolution is None):
            raise ValueError("steps: expected the steps of a scale, or an instrument's resolution")
        if self.steps is not None and any(b <= a for a, b in zip(self.steps, self.steps[1:], strict=False)):
            raise ValueError("steps: expected ascending values")
        return self


class KitChange(KitRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class FeederRequest(_Entry):
    model_config = ConfigDict(json_schema_extra={"examples": [{"id": "feeder", "tank": "shelf", "food": "flakes"}]})

    id: Identifier
    tank: Identifier | None
    food: Identifier | None = None


class FeederChange(FeederRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class ProbeRequest(_Entry):
    model_config = ConfigDict(json_schema_extra={"examples": [{"id": "probe", "tank": "shelf"}]})

    id: Identifier
    tank: Identifier | None


class ProbeChange(ProbeRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class MealRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    at: str
    share: float
    feeder: Identifier | None = None


class RationRequest(_Body):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"daily_g": 0.6, "cap_g": 0.9, "meals": [{"at": "08:00", "share": 0.5}, {"at": "18:00", "share": 0.5}]}
            ]
        }
    )

    daily_g: float
    cap_g: float
    meals: Annotated[list[MealRequest], Field(max_length=100)]
    carry_over: float = 0.0
    confirm: bool = False


class AbsenceRequest(_Body):
    """Local days, both included, on which less is fed; a `daily_g` of null ends what was planned."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"start": "2026-07-04", "end": "2026-07-18", "daily_g": 0.4, "by": "Ada"}]}
    )

    start: Day | None = None
    end: Day | None = None
    daily_g: Annotated[float, Field(ge=0, le=1000)] | None
    tell: Words | None = None

    @model_validator(mode="after")
    def _days(self) -> "AbsenceRequest":
        if self.daily_g is not None:
            for name in ("start", "end"):
                if getattr(self, name) is None:
                    raise ValueError(f"{name}: expected a date")
        return self


class RampRequest(_Body):
    """How a ration is led up: grams a day to begin with, of a step and at most; days between steps; who consents."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"start_g": 0.4, "step_g": 0.1, "ceiling_g": 1.2, "consent": "ask"}]}
    )

    start_g: Annotated[float, Field(gt=0, le=1000)]
    step_g: Annotated[float, Field(gt=0, le=1000)]
    ceiling_g: Annotated[float, Field(gt=0, le=1000)]
    dwell_days: Annotated[float, Field(ge=7, le=365)] = 28.0
    fraction: Annotated[float, Field(gt=0, le=1)] = 1 / 3
    consent: Literal["ask", "auto"] = "ask"
    confirm: bool = False

    @model_validator(mode="after")
    def _upwards(self) -> "RampRequest":
        if self.ceiling_g < self.start_g:
            raise ValueError(f"ceiling_g: expected at least start_g ({self.start_g:g}); found {self.ceiling_g:g}")
        return self


class RampDecisionRequest(_Body):
    """What a person decides of a ramp: `decision`, or one of `accept`, `veto` and `stop` as true."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"decision": "accept", "note": "The water was clear all week."}]}
    )

    decision: Literal["accept", "veto", "stop"] | None = None
    accept: bool = False
    veto: bool = False
    stop: bool = False
    note: LongText | None = None

    @model_validator(mode="after")
    def _one(self) -> "RampDecisionRequest":
        self.decision = _said(self, "accept", "veto", "stop")
        return self


class LineRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    analyte: Analyte
    above: float | None = None
    below: float | None = None
    unit: Words
    basis: str | None = None
    do: Literal["notify", "reduce", "hold"]
    reduce_to: float | None = None


LINE_EXAMPLE: JsonDict = {"analyte": "ammonia", "above": 0.5, "unit": "mg/L", "basis": "N", "do": "hold"}


class LinesRequest(_Body):
    model_config = ConfigDict(json_schema_extra={"examples": [{"lines": [LINE_EXAMPLE], "by": "Ada"}]})

    lines: Annotated[list[LineRequest], Field(max_length=MOST_LINES)]
    confirm: bool = False


class ReadingRequest(_Entry):
    """A water value measured by hand, as the kit, the pen or the chart showed it.

    resolution: an instrument's smallest step. detected: false where value is the detection limit. factor: the mg/L per
    uS/cm that a pen for dissolved solids used. measured_at_c: the water's temperature, for a conductivity that the pen
    has not compensated.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"analyte": "nitrate", "value": 12.5, "unit": "mg/L", "basis": "ion", "at": "2026-03-06T17:00:00+01:00"}
            ]
        }
    )

    analyte: Analyte
    value: float
    unit: Words | None = None
    basis: str | None = None
    kit: Identifier | None = None
    below: float | None = None
    above: float | None = None
    resolution: float | None = None
    detected: bool = True
    factor: float | None = None
    measured_at_c: float | None = None


class RefillRequest(_Entry):
    model_config = ConfigDict(json_schema_extra={"examples": [{"added_g": 30, "food": "flakes"}]})

    added_g: Grams | None = None
    before_g: Grams | None = None
    after_g: Grams | None = None
    food: Identifier | None = None

    @model_validator(mode="after")
    def _one_way(self) -> "RefillRequest":
        pair = self.before_g is not None and self.after_g is not None
        some = self.before_g is not None or self.after_g is not None
        if (self.added_g is not None) == some or (some and not pair):
            raise ValueError("added_g: expected either added_g, or before_g and after_g")
        if pair and (self.after_g or 0.0) < (self.before_g or 0.0):
            raise ValueError("after_g: expected at least before_g")
        return self


class WeighInRequest(_Entry):
    """The hopper's content: net as mass_g, or gross_g with the tare_g of what it was weighed in."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"mass_g": 36.4, "sd_g": 0.1, "by": "Ada"}]})

    mass_g: Grams | None = None
    gross_g: Grams | None = None
    tare_g: Grams | None = None
    sd_g: Grams | None = None

    @model_validator(mode="after")
    def _net(self) -> "WeighInRequest":
        pair = self.gross_g is not None and self.tare_g is not None
        some = self.gross_g is not None or self.tare_g is not None
        if (self.mass_g is not None) == some or (some and not pair):
            raise ValueError("mass_g: expected either mass_g, or gross_g and tare_g")
        if pair and (self.gross_g or 0.0) < (self.tare_g or 0.0):
            raise ValueError("gross_g: expected at least tare_g")
        return self

    @property
    def net_g(self) -> float:
        return self.mass_g if self.mass_g is not None else round((self.gross_g or 0.0) - (self.tare_g or 0.0), 6)


class LossRequest(_Entry):
    """Food that left the hopper without a dose: spilled, thrown away, eaten by somebody else."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"mass_g": 0.5, "text": "Spilt while filling."}]})

    mass_g: Annotated[float, Field(gt=0, le=100_000)]
    sd_g: Grams | None = None
    text: LongText = ""


class HopperRequest(_Entry):
    """The hopper is taken off the cell, and feeding is held; or it hangs again."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"hung": False}]})

    hung: bool


class CheckMassRequest(BaseModel):
    """A check mass on the cell, and what the cell showed, tared without it."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    mass_g: Grams
    shown_g: Annotated[float, Field(ge=-100_000, le=100_000)]


class CalibrationRequest(_Entry):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "points": [
                        {"mass_g": 0, "shown_g": 0.01},
                        {"mass_g": 20, "shown_g": 20.02},
                        {"mass_g": 50, "shown_g": 50.04},
                    ]
                }
            ]
        }
    )

    points: Annotated[list[CheckMassRequest], Field(min_length=3, max_length=50)]

    @model_validator(mode="after")
    def _apart(self) -> "CalibrationRequest":
        if len({point.mass_g for point in self.points}) < 2:
            raise ValueError("points: expected at least two different masses")
        return self


class DecisionRequest(_Body):
    """What a person decides of a finding: `decision`, or one of `accept` and `dismiss` as true."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"decision": "accept", "note": "I had forgotten to enter the refill."}]}
    )

    decision: Literal["accept", "dismiss"] | None = None
    accept: bool = False
    dismiss: bool = False
    note: LongText | None = None

    @model_validator(mode="after")
    def _one(self) -> "DecisionRequest":
        self.decision = _said(self, "accept", "dismiss")
        return self


def _said(body: Any, *names: str) -> Any:
    """The one decision of a body, by name or as the one flag that is true. Raises ValueError."""
    said = {*([body.decision] if body.decision else []), *(name for name in names if getattr(body, name))}
    if len(said) != 1:
        *others, last = (f'"{name}"' for name in names)
        raise ValueError(f"decision: expected {', '.join(others)} or {last}")
    return said.pop()


class HandFeedRequest(_Entry):
    model_config = ConfigDict(json_schema_extra={"examples": [{"mass_g": 0.07, "sd_g": 0.02, "by": "Ada"}]})

    mass_g: Annotated[float, Field(gt=0, le=1000)]
    sd_g: Grams | None = None
    food: Identifier | None = None


class WaterChangeRequest(_Measured):
    model_config = ConfigDict(json_schema_extra={"examples": [{"volume_l": 12, "water": "tap"}]})

    water: Identifier | None = None


class TopUpRequest(_Volume):
    model_config = ConfigDict(json_schema_extra={"examples": [{"volume_l": 1.5, "water": "tap"}]})

    water: Identifier | None = None


class NoteRequest(_Entry):
    """share: of the plants that a harvest took away, 0 to 1; None where nobody said."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"kind": "harvest", "text": "Cut back the stem plants.", "share": 0.1}]}
    )

    kind: Literal["stocking", "loss", "plants", "harvest", "filter", "medication", "sensor", "other"]
    text: LongText
    mass_g: Grams | None = None
    count: Annotated[int, Field(ge=0, le=100_000)] | None = None
    share: Annotated[float, Field(ge=0, le=1)] | None = None

    @model_validator(mode="after")
    def _of_a_harvest(self) -> Self:
        if self.share is not None and self.kind != "harvest":
            raise ValueError(f"share: expected only for a harvest; found with a note of kind {self.kind}")
        return self


class HoldRequest(_Body):
    model_config = ConfigDict(json_schema_extra={"examples": [{"reason": "The water is cloudy.", "by": "Ada"}]})

    reason: Words


class ReleaseRequest(_Body):
    model_config = ConfigDict(
        json_schema_extra={"examples": [{"note": "Clear again, nitrite below detection.", "by": "Ada"}]}
    )

    note: Words


class UpdateRequest(_Body):
    """A device is offered this package's firmware."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"by": "Ada"}]})

    by: Words | None = None


class SeenRequest(_Body):
    """A person has seen an alert."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"note": "I shall look after work."}]})

    note: LongText | None = None


class CorrectionRequest(_Body):
    """The corrected fields beside these are checked as the entry's own."""

    model_config = ConfigDict(
        extra="allow",
        allow_inf_nan=False,
        json_schema_extra={"examples": [{"mass_g": 0.3, "note": "A slip of the pen."}]},
    )

    note: LongText | None = None
    void: bool = False


_B = TypeVar("_B", bound=BaseModel)


def parse(model: type[_B], body: BaseModel | Mapping[str, Any]) -> _B:
    """A checked body. Raises FieldError with the first thing that is wrong."""
    if isinstance(body, model):
        return body
    try:
        return model.model_validate(body)
    except ValidationError as error:
        field, message = first_problem(error.errors(include_url=False)[0])
        raise FieldError(field, message) from error
