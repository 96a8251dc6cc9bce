"""What a person or a program may enter, as it comes in over HTTP or from a form, by subject.

Unknown fields are refused by name: otherwise a misspelt field would be lost.
"""

from tareline.app.requests.decisions import CorrectionRequest, DecisionRequest, SeenRequest, UpdateRequest
from tareline.app.requests.feeding import AbsenceRequest, HoldRequest, MealRequest, RationRequest, ReleaseRequest
from tareline.app.requests.fields import MOST_LINES, Day, Moment, parse
from tareline.app.requests.hoppers import (
    CalibrationRequest,
    CheckMassRequest,
    HandFeedRequest,
    HopperRequest,
    LossRequest,
    RefillRequest,
    WeighInRequest,
)
from tareline.app.requests.lines import LINE_EXAMPLE, LineRequest, LinesRequest
from tareline.app.requests.notes import NoteRequest
from tareline.app.requests.ramp import RampDecisionRequest, RampRequest
from tareline.app.requests.things import (
    FeederChange,
    FeederRequest,
    FoodChange,
    FoodRequest,
    KitChange,
    KitRequest,
    ProbeChange,
    ProbeRequest,
    TankChange,
    TankRequest,
    WaterChange,
    WaterRequest,
)
from tareline.app.requests.water import ReadingRequest, TopUpRequest, WaterChangeRequest

__all__ = [
    "LINE_EXAMPLE",
    "MOST_LINES",
    "AbsenceRequest",
    "CalibrationRequest",
    "CheckMassRequest",
    "CorrectionRequest",
    "Day",
    "DecisionRequest",
    "FeederChange",
    "FeederRequest",
    "FoodChange",
    "FoodRequest",
    "HandFeedRequest",
    "HoldRequest",
    "HopperRequest",
    "KitChange",
    "KitRequest",
    "LineRequest",
    "LinesRequest",
    "LossRequest",
    "MealRequest",
    "Moment",
    "NoteRequest",
    "ProbeChange",
    "ProbeRequest",
    "RampDecisionRequest",
    "RampRequest",
    "RationRequest",
    "ReadingRequest",
    "RefillRequest",
    "ReleaseRequest",
    "SeenRequest",
    "TankChange",
    "TankRequest",
    "TopUpRequest",
    "UpdateRequest",
    "WaterChange",
    "WaterChangeRequest",
    "WaterRequest",
    "WeighInRequest",
    "parse",
]
