"""The forms: what each one sends, how its fields are read, and the call of the service that it ends in."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import parse_qsl

from fastapi import Depends, HTTPException, Request

from tareline.app.answers.hoppers import TankHopperAnswer
from tareline.app.answers.things import KitAnswer
from tareline.app.entry_kinds import ENTRY_KINDS
from tareline.core.units import CANONICAL, UNITS, bases
from tareline.errors import FieldError
from tareline.service import Service
from tareline.settings import Show
from tareline.web.text.words import UNIT_SIGNS, read_local_time, read_number, read_whole

Typed = Mapping[str, str]

FORM_BYTES = 64 * 1024
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
DETECTED = {"": "yes", "no": "no: the value is the detection limit"}
VOLUMES = {"L": "volume_l", "US gal": "volume_us_gal"}
KINDS = {"waterchange": "water-change", "topup": "top-up"}  # of forms whose name is another than their kind's
NOTE_KINDS = ("stocking", "loss", "plants", "harvest", "filter", "medication", "sensor", "other")


@dataclass(frozen=True, slots=True)
class Form:
    """What a form sends: its fields in the order of the page, which of them are numbers, which may not be empty."""

    fields: tuple[str, ...]
    numbers: frozenset[str] = frozenset()
    whole: frozenset[str] = frozenset()
    required: frozenset[str] = frozenset()


FORMS = {
    "reading": Form(
        (
            *("kit", "analyte", "value", "unit", "basis", "detected", "below", "above"),
            *("resolution", "factor", "measured_at_c", "at", "by"),
        ),
        numbers=frozenset({"value", "below", "above", "resolution", "factor", "measured_at_c"}),
        required=frozenset({"value"}),
    ),
    "weighin": Form(
        ("feeder", "mass_g", "gross_g", "tare_g", "sd_g", "at", "by"),
        numbers=frozenset({"mass_g", "gross_g", "tare_g", "sd_g"}),
        required=frozenset({"feeder"}),
    ),
    "loss": Form(
        ("feeder", "mass_g", "sd_g", "text", "at", "by"),
        numbers=frozenset({"mass_g", "sd_g"}),
        required=frozenset({"feeder", "mass_g"}),
    ),
    "hopper": Form(("feeder", "hung", "at", "by"), required=frozenset({"feeder", "hung"})),
    "finding": Form(("decision", "note", "by"), required=frozenset({"decision"})),
    "refill": Form(
        ("feeder", "added_g", "before_g", "after_g", "food", "at", "by"),
        numbers=frozenset({"added_g", "before_g", "after_g"}),
        required=frozenset({"feeder"}),
    ),
    "handfeed": Form(
        ("mass_g", "sd_g", "food", "at", "by"),
        numbers=frozenset({"mass_g", "sd_g"}),
        required=frozenset({"mass_g"}),
    ),
    "waterchange": Form(
        ("volume", "volume_unit", "water", "at", "by"), numbers=frozenset({"volume"}), required=frozenset({"volume"})
    ),
    "topup": Form(("volume", "volume_unit", "water", "at", "by"), numbers=frozenset({"volume"})),
    "note": Form(
        ("kind", "text", "mass_g", "count", "share", "at", "by"),
        numbers=frozenset({"mass_g", "share"}),
        whole=frozenset({"count"}),
        required=frozenset({"kind", "text"}),
    ),
    "hold": Form(("reason", "by"), required=frozenset({"reason"})),
    "release": Form(("note", "by"), required=frozenset({"note"})),
}


async def _form(request: Request) -> dict[str, str]:
    """A posted form's fields; refused when larger than any person types."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > FORM_BYTES:
            raise HTTPException(413, f"expected a form of at most {FORM_BYTES} bytes")
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=40)
    except ValueError:
        raise HTTPException(422, "expected a form in UTF-8 with at most 40 fields") from None
    return {name: value.strip() for name, value in pairs}


Sent = Annotated[dict[str, str], Depends(_form)]


def read_form(form: Form, sent: Typed, zone: str) -> tuple[dict[str, Any], dict[str, str]]:
    """The body for the service, and a message for each field that could not be read.

    Empty fields are left out; an empty date and time thereby means now, a given one is local time in `zone`.
    """
    body: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for field in form.fields:
        text = sent.get(field, "")
        try:
            if not text:
                if field in form.required:
                    raise FieldError(field, "expected something here; found nothing")
            elif field in form.numbers:
                body[field] = read_number(field, text)
            elif field in form.whole:
                body[field] = read_whole(field, text)
            elif field == "at":
                body[field] = read_local_time(field, text, zone)
            else:
                body[field] = text
        except FieldError as error:
            wrong[field] = error.message
    if sent.get("client_ref"):
        # The same form sent twice is one entry; a form that was changed and sent again is another.
        said = "\n".join(sent.get(field, "") for field in form.fields)
        body["client_ref"] = f"{sent['client_ref'][:64]}-{hashlib.sha256(said.encode()).hexdigest()[:16]}"
    return body, wrong


def complete_reading(body: dict[str, Any], kits: Sequence[KitAnswer], show: Show, wrong: dict[str, str]) -> None:
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
    if "detected" in body:
        if body["detected"] not in DETECTED:
            wrong["detected"] = f"expected one of the list; found {body['detected'][:40]!r}"
        body["detected"] = body["detected"] != "no"


def complete_volume(body: dict[str, Any], wrong: dict[str, str]) -> None:
    """The volume in the unit that was chosen."""
    unit = body.pop("volume_unit", "L")
    if unit not in VOLUMES:
        wrong["volume_unit"] = f"expected L or US gal; found {unit[:40]!r}"
    elif "volume" in body:
        body[VOLUMES[unit]] = body.pop("volume")


def volume_units(show: Show) -> list[tuple[str, str]]:
    """The choices of a volume's unit, the keeper's own first."""
    return sorted(((unit, unit) for unit in VOLUMES), key=lambda one: one[0] != show.volume)


def reading_units() -> list[tuple[str, str]]:
    """The choices of a reading's unit beside the kit's or the usual one."""
    every = dict.fromkeys(unit for units in UNITS.values() for unit in units if unit != "1")
    return [("", "the usual"), *((unit, UNIT_SIGNS.get(unit, unit)) for unit in every)]


def post(service: Service, what: str, tank: str, body: dict[str, Any], hoppers: Sequence[TankHopperAnswer]) -> None:
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
    if kind.name == "hopper":
        if body["hung"] not in ("off", "hung"):
            raise FieldError("hung", f"expected off or hung; found {body['hung'][:40]!r}")
        body["hung"] = body["hung"] == "hung"
    service.entries.add(kind.name, feeder, body)


def note_refusal(what: str, wrong: dict[str, str], error: FieldError) -> None:
    """Put the service's message beside its field; one that no field of the form carries belongs to the whole form."""
    field = {"volume_l": "volume", "volume_us_gal": "volume"}.get(error.field, error.field)
    wrong[field if field in FORMS[what].fields else ""] = error.message
