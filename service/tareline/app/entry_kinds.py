"""The kinds of entry that people make: one table, from which calls, corrections and forms follow.

A new kind is one more row here and a model in `app/requests`. Its call is made from the row (`web/api/entries.py`), and
it can be corrected and taken back like every other. Its form stands with the others in `web/pages/forms.py`.
"""

from dataclasses import dataclass
from typing import Literal

from tareline.app import requests
from tareline.app.requests.fields import TimedRequest


@dataclass(frozen=True, slots=True)
class EntryKind:
    """One kind of entry.

    name: as the ledger stores it. owner: what it is entered for. path: the last part of its address. word: what people
    call it. summary: what its call does. about: what it is, in whole sentences. either: fields that state the same in
    two ways, first the one that is stored: in a correction one replaces the other.
    """

    name: str
    owner: Literal["tank", "feeder"]
    path: str
    model: type[TimedRequest]
    word: str
    summary: str
    about: str
    either: tuple[str, tuple[str, ...]] | None = None


_LITRES = ("volume_l", ("volume_us_gal",))
ENTRY_KINDS: dict[str, EntryKind] = {
    kind.name: kind
    for kind in (
        EntryKind(
            "reading",
            "tank",
            "readings",
            requests.ReadingRequest,
            "reading",
            "Enter a reading",
            "A water value that was measured by hand; answers with the lines that it crosses and what follows.",
        ),
        EntryKind(
            "handfeed",
            "tank",
            "handfeeds",
            requests.HandFeedRequest,
            "hand feed",
            "Enter a hand feed",
            "Food that was given by hand; it counts against the day's ration.",
        ),
        EntryKind(
            "water-change",
            "tank",
            "water-changes",
            requests.WaterChangeRequest,
            "water change",
            "Enter a water change",
            "Water that was replaced.",
            either=_LITRES,
        ),
        EntryKind(
            "top-up",
            "tank",
            "top-ups",
            requests.TopUpRequest,
            "top-up",
            "Enter a top-up",
            "Water that replaced what had evaporated; without a volume where nobody measured it.",
            either=_LITRES,
        ),
        EntryKind(
            "note",
            "tank",
            "notes",
            requests.NoteRequest,
            "note",
            "Enter a note",
            "What else happened: stocking, a loss, plants, a harvest, work on the filter, and so on.",
        ),
        EntryKind(
            "refill",
            "feeder",
            "refills",
            requests.RefillRequest,
            "refill",
            "Enter a refill",
            "Food that was filled in.",
            either=("added_g", ("before_g", "after_g")),
        ),
        EntryKind(
            "weighin",
            "feeder",
            "weighins",
            requests.WeighInRequest,
            "weigh-in",
            "Enter a weigh-in",
            "The content of the hopper, weighed on another scale.",
            either=("mass_g", ("gross_g", "tare_g")),
        ),
        EntryKind(
            "loss",
            "feeder",
            "losses",
            requests.LossRequest,
            "loss",
            "Enter lost food",
            "Food that left the hopper without a dose.",
        ),
        EntryKind(
            "hopper",
            "feeder",
            "hopper",
            requests.HopperRequest,
            "handling of the hopper",
            "Take the hopper off or hang it",
            "The hopper was taken off the cell, and the feeder is held; or it hangs again.",
        ),
        EntryKind(
            "calibration",
            "feeder",
            "calibrations",
            requests.CalibrationRequest,
            "calibration",
            "Enter a calibration",
            "Check masses on the cell, and what it showed.",
        ),
    )
}
