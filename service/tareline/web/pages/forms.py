"""The forms: what each one asks for, and the call of the service that it ends in."""

from collections.abc import Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel

from tareline.app import requests
from tareline.app.answers.hoppers import TankHopperAnswer
from tareline.app.answers.things import KitAnswer
from tareline.app.entry_kinds import ENTRY_KINDS
from tareline.core.units import CANONICAL, UNITS, bases
from tareline.errors import FieldError
from tareline.service import Service
from tareline.settings import Show
from tareline.web.pages.sent import Body, Form, Wrong
from tareline.web.text.words import UNIT_SIGNS

SAID = {
    "reading": "The reading is in the books.",
    "weighin": "The weigh-in is in the books.",
    "refill": "The refill is in the books.",
    "handfeed": "The hand feed is in the books.",
    "loss": "The loss is in the books.",
    "off": "The hopper is off; the feeder was asked to stop until it hangs again.",
    "hung": "The hopper hangs again; the feeder was told.",
    "accept": "The finding was accepted; the entry that mends the books is in them.",
    "dismiss": "The finding was dismissed; the books stay as they were.",
    "waterchange": "The water change is in the books.",
    "topup": "The top-up is in the books.",
    "note": "The note is in the books.",
    "hold": "The hold is in the books; the feeders were asked to stop.",
    "release": "The release is in the books; the feeders were told.",
}
BASES = (
    ("", "as the kit says, or no nitrogen"),
    ("N", "as N"),
    ("ion", "as the ion: NO₃, NO₂, NH₄"),
    ("NH3", "as NH₃"),
    ("CaCO3", "hardness as CaCO₃"),
)
DETECTED = (("", "yes"), ("no", "no: the value is the detection limit"))
VOLUMES = {"L": "volume_l", "US gal": "volume_us_gal"}
KINDS = {"waterchange": "water-change", "topup": "top-up"}  # of forms whose name is another than their kind's
NOTE_KINDS: tuple[str, ...] = get_args(requests.NoteRequest.model_fields["kind"].annotation)


def _of_feeder(model: type[BaseModel], buttons: Mapping[str, Mapping[str, Any]] | None = None) -> Form:
    """A form about one of the tank's feeders, which is chosen in it."""
    words = buttons or {}
    return Form(model, own={"feeder": str}, words=words, required=frozenset({"feeder"}), buttons=frozenset(words))


def _of_volume(model: type[BaseModel], *required: str) -> Form:
    """A form about a volume, which is typed as a number and a unit."""
    return Form(
        model,
        own={"volume": float, "volume_unit": str},
        words={"volume_unit": VOLUMES},
        required=frozenset(required),
        instead=dict.fromkeys(VOLUMES.values(), "volume"),
    )


FORMS = {
    "reading": Form(
        requests.ReadingRequest, words={"detected": {"yes": True, "no": False}}, optional=frozenset({"analyte"})
    ),
    "weighin": _of_feeder(requests.WeighInRequest),
    "loss": _of_feeder(requests.LossRequest),
    "hopper": _of_feeder(requests.HopperRequest, {"hung": {"off": False, "hung": True}}),
    "finding": Form(requests.DecisionRequest, required=frozenset({"decision"}), buttons=frozenset({"decision"})),
    "refill": _of_feeder(requests.RefillRequest),
    "handfeed": Form(requests.HandFeedRequest),
    "waterchange": _of_volume(requests.WaterChangeRequest, "volume"),
    "topup": _of_volume(requests.TopUpRequest),
    "note": Form(requests.NoteRequest),
    "hold": Form(requests.HoldRequest),
    "release": Form(requests.ReleaseRequest),
}


def complete_reading(body: Body, kits: Sequence[KitAnswer], show: Show, wrong: Wrong) -> None:
    """Fill in what follows from the choice: with a kit its analyte, without one the analyte's usual unit."""
    if "kit" in body:
        kit = next((k for k in kits if k.id == body["kit"]), None)
        if kit is None:
            wrong["kit"] = f"expected one of the kits in the list; found {body['kit'][:40]!r}"
        else:
            body.setdefault("analyte", kit.analyte)
    elif "analyte" not in body:
        wrong["analyte"] = "expected a kit or an analyte; found neither"
    elif body["analyte"] in CANONICAL:
        usual = show.temperature if body["analyte"] == "temperature" else CANONICAL[body["analyte"]].unit
        allowed = bases(body["analyte"], body.setdefault("unit", usual))
        if len(allowed) == 1:
            body.setdefault("basis", allowed[0])
        elif allowed and "basis" not in body:
            wrong["basis"] = "expected how the nitrogen is stated: as N, as the ion or as NH₃"


def complete_volume(body: Body, _: Wrong) -> None:
    """The volume in the unit that was chosen."""
    in_unit = body.pop("volume_unit", "volume_l")
    if "volume" in body:
        body[in_unit] = body.pop("volume")


def volume_units(show: Show) -> list[tuple[str, str]]:
    """The choices of a volume's unit, the keeper's own first."""
    return sorted(((unit, unit) for unit in VOLUMES), key=lambda one: one[0] != show.volume)


def reading_units() -> list[tuple[str, str]]:
    """The choices of a reading's unit beside the kit's or the usual one."""
    every = dict.fromkeys(unit for units in UNITS.values() for unit in units if unit != "1")
    return [("", "the usual"), *((unit, UNIT_SIGNS.get(unit, unit)) for unit in every)]


def post(service: Service, what: str, tank: str, body: Body, hoppers: Sequence[TankHopperAnswer]) -> None:
    """Make the entry that a form stands for. Raises FieldError."""
    if what == "hold":
        service.hold(tank, body)
        return
    if what == "release":
        service.release(tank, body)
        return
    kind = ENTRY_KINDS[KINDS.get(what, what)]
    if kind.owner == "tank":
        service.entries.add(kind.name, tank, body)
        return
    feeder = body.pop("feeder")
    if feeder not in [hopper.feeder for hopper in hoppers]:
        raise FieldError("feeder", f"expected one of this tank's feeders; found {feeder!r}", 404)
    service.entries.add(kind.name, feeder, body)
