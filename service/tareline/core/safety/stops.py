"""Feeders that have stopped themselves: the causes, and the condition under which such a feeder continues.

By the rules of its firmware a stop ends when the feeder has received a hold that began after the stop, and then the
release of that hold (or by its button, or by a new calibration). So the service holds the tank at every stop. It
releases a feeder only after the feeder has confirmed that hold, and it reports that the feeder continues only after the
feeder has confirmed the release.
"""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StopCause:
    """Why a feeder stops itself: what it found, and what a person should do before it continues."""

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
    """The newest hold message to a feeder: its version, whether it holds, and whether the feeder has confirmed it."""

    version: int
    held: bool
    confirmed: bool


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop after which the feeder has not confirmed its release yet.

    entry: of the ledger. since_ms: when the service received it. code: of the fault. hold_version: of the newest hold
    message at that time; only a later one can end the stop.
    """

    entry: int
    since_ms: int
    code: str
    hold_version: int

    def issued_since(self, version: int) -> bool:
        """Whether the hold message of this version was issued after the stop was received."""
        return version > self.hold_version

    def goes_on(self, told: IssuedHold | None) -> bool:
        """Whether the feeder continues: it has confirmed a release that was issued after the stop."""
        return told is not None and not told.held and self.issued_since(told.version) and told.confirmed

    def awaits_hold(self, told: IssuedHold | None, confirmed_version: int) -> bool:
        """Whether the feeder has not confirmed a hold that was issued after its stop; until then only holds are sent.

        confirmed_version: the newest hold message that it has confirmed since its last restart.
        """
        if told is None or not self.issued_since(told.version):
            return True
        return told.held and confirmed_version <= self.hold_version


def reason(feeder: str, code: str) -> str:
    """Why a tank is held, with the feeder and the cause; always the same text for the same stop."""
    return f"{feeder} has stopped itself: {STOPS[code].found}"


def what_to_do(feeder: str, text: str) -> str:
    """What to do about the stop that a hold's reason names, and how to let the feeder continue."""
    own = [f"{cause.do}. " for code, cause in STOPS.items() if text == reason(feeder, code)]
    return f"{''.join(own)}{_GOES_ON}"
