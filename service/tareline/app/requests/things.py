"""Requests that enter tanks, foods, source waters, kits, feeders and probes."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, model_validator

from tareline.app.requests.fields import (
    Analyte,
    Figure,
    Identifier,
    MeasuredVolumeRequest,
    Resolution,
    TdsFactor,
    TimedRequest,
    Words,
    Zone,
)


class TankRequest(MeasuredVolumeRequest):
    """tds_factor: mg/L of dissolved solids per uS/cm at 25 degC, with which the tank's dissolved solids are calculated.

    planted_area_cm2: area of the bottom that is planted; light_h_per_day: hours of light a day. None: not stated.
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


class FoodRequest(TimedRequest):
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


class WaterRequest(TimedRequest):
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


class KitRequest(TimedRequest):
    """A test or an instrument for measuring by hand: the steps of its scale, or what the instrument can tell apart.

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


class FeederRequest(TimedRequest):
    model_config = ConfigDict(json_schema_extra={"examples": [{"id": "feeder", "tank": "shelf", "food": "flakes"}]})

    id: Identifier
    tank: Identifier | None
    food: Identifier | None = None


class FeederChange(FeederRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]


class ProbeRequest(TimedRequest):
    model_config = ConfigDict(json_schema_extra={"examples": [{"id": "probe", "tank": "shelf"}]})

    id: Identifier
    tank: Identifier | None


class ProbeChange(ProbeRequest):
    """The same in another version; its id stands in the address."""

    id: Identifier | None = None  # type: ignore[assignment]
