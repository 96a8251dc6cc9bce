"""A feeder that has stopped itself: why it does, and how it is known to go on.

By its own rules a stop on the feeder ends when it has seen a hold that began after the stop, and then the release of
that hold (or by its button, or by a new calibration). So the service holds the tank at every stop; it releases a feeder
only once the feeder has said that it has seen that hold; and it says that the feeder goes on only once the feeder has
confirmed the release.
"""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StopCause:
    """Why a feeder stops itself: what it found, and what a person should do before it goes on."""

    found: str
    do: str


STOPS: Mapping[str, StopCause] = {  # by fault code
    "stopped_over": StopCause(
        "two doses in a row gave clearly more than their steps should",
        "Measure ammonia today and tomorrow, remove uneaten food, and feed nothing by hand. Check whether the "
        "auger is loose or worn, and whether it was calibrated with this food: give ten doses into a dish on a scale, "
        "and set the grams per step from their weights",
    ),
    "stopped_loss": StopCause(
        "food left its hopper although its motor made no step",
        "Take the hopper off the tank now, with dry hands: a leak continues even while feeding is held. Look for a "
        "crack, a loose outlet, or a motor that turns without a command, and ask whether somebody took food out; "
        "enter the missing mass as a loss. Measure ammonia today and tomorrow",
    ),
    "two_installations": StopCause(
        "two services send it feeding plans in turn",
        "Find the other service, and stop it or give it its own root topic",
    ),
}
_GOES_ON = "Then release the hold: the feeder continues once it has confirmed the release"


@dataclass(frozen=True, slots=True)
class IssuedHold:
    """The hold message that was last issued to a feeder: its version, whether it holds, whether it is confirmed."""

    version: int
    held: bool
    confirmed: bool


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of which the feeder is not known to go on.

    entry: of the ledger; since_ms: when the service heard of it; code: the fault's; hold_version: of the hold message
    that the feeder had been sent by then: only a later one can end the stop.
    """

    entry: int
    since_ms: int
    code: str
    hold_version: int

    def issued_since(self, version: int) -> bool:
        """Whether a hold message went out after the stop was heard of."""
        return version > self.hold_version

    def goes_on(self, told: IssuedHold | None) -> bool:
        """Whether the feeder is known to go on: it has confirmed a release that went out after the stop."""
        return told is not None and not told.held and self.issued_since(told.version) and told.confirmed

    def awaits_hold(self, told: IssuedHold | None, confirmed_version: int) -> bool:
        """Whether the feeder has yet to confirm a hold that went out after its stop: until then nothing but holds
        goes out. confirmed_version: the newest hold message that this boot of it has confirmed."""
        if told is None or not self.issued_since(told.version):
            return True
        return told.held and confirmed_version <= self.hold_version


def reason(feeder: str, code: str) -> str:
    """Why a tank is held, naming the feeder and the cause; the same words each time it is told."""
    return f"{feeder} has stopped itself: {STOPS[code].found}"


def what_to_do(feeder: str, text: str) -> str:
    """What to do about the stop that a hold's reason tells of, and how to let the feeder go on."""
    own = [f"{cause.do}. " for code, cause in STOPS.items() if text == reason(feeder, code)]
    return f"{''.join(own)}{_GOES_ON}"
