"""Requests that enter what was measured in the water, and water that was put in."""

from pydantic import ConfigDict

from tareline.app.requests.fields import Analyte, Identifier, MeasuredVolumeRequest, TimedRequest, VolumeRequest, Words


class ReadingRequest(TimedRequest):
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


class WaterChangeRequest(MeasuredVolumeRequest):
    model_config = ConfigDict(json_schema_extra={"examples": [{"volume_l": 12, "water": "tap"}]})

    water: Identifier | None = None


class TopUpRequest(VolumeRequest):
    model_config = ConfigDict(json_schema_extra={"examples": [{"volume_l": 1.5, "water": "tap"}]})

    water: Identifier | None = None
