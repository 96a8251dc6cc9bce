"""What a device's fault codes mean to a keeper: what is so, and what to do. firmware/README.md lists the codes."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from tareline.core.safety.stops import STOPS


def lost_g(code: str, detail: str | None) -> float:
    """What a feeder tells to have left its hopper without a step, in grams: at the least, beyond the doubt of its cell.

    0 for every other fault, and where its detail names no mass.
    """
    found = _LOST_UG.match(detail or "") if code == LOSS else None
    return int(found[1]) / 1e6 if found is not None else 0.0


@dataclass(frozen=True, slots=True)
class Words:
    """what: goes behind the device's name. do: what the device does by itself, and what a person should do."""

    what: str
    do: str


_FLASH = "If it comes again, replace the board: its flash is failing"
_CELL = "A feeder goes on by its steps, unweighed, for a week at most, and then stops"
_OLD_VOLTAGE = "Only its voltage is sent meanwhile"
FAULTS: Mapping[str, Words] = {
    "journal_damaged": Words(
        "found damage in its records and feeds nothing",
        f"It feeds again once the day's counter begins anew, within a day or so. {_FLASH}",
    ),
    "plan_damaged": Words("lost its plan", f"It feeds nothing until it has one again; Tareline sends it. {_FLASH}"),
    "hold_damaged": Words(
        "lost the hold that it had", f"It holds until it is told again, which Tareline does at once. {_FLASH}"
    ),
    "flash_failed": Words(
        "cannot use its flash", f"A dose that cannot be written down is not fed. Restart the device. {_FLASH}"
    ),
    "journal_full": Words(
        "feeds nothing: too many of its doses wait",
        "It drops no dose to make room for another. Look whether it has been off the network, and whether the broker "
        "passes on what it sends; it goes on once Tareline has received some",
    ),
    "counter_differs": Words(
        "found its two counters of the day different",
        "It feeds nothing until a restart has read them again. Restart it; if it comes again, replace the board",
    ),
    "firmware_damaged": Words(
        "found its own files damaged", "A feeder feeds nothing like this. Write the board anew with `tareline flash`"
    ),
    "watchdog_restart": Words(
        "hung and was restarted by its watchdog",
        "It goes on by itself, and a dose that was under way counts in full. If it comes again, look at its power "
        "supply, and send the detail to the developers",
    ),
    "program_error": Words(
        "met an error in its program and began anew",
        "It goes on by itself, with all that it had on flash. If it comes again, send the detail to the developers",
    ),
    "button_hold": Words(
        "is held by its button",
        "Somebody pressed the feeder's button: ask who, and press long again to let it feed",
    ),
    "mass_lost": Words(
        "lost food without a dose",
        "It counts against the day's cap; if it goes on, the feeder stops itself. Look for spilled food under the "
        "feeder and in the water, and for a hopper that leaks or touches something; enter it as a loss. If "
        "somebody took the hopper off, enter that too",
    ),
    "message_refused": Words(
        "could not take a message",
        "It has forgotten the message, and goes on by what it had before. If nobody else writes under this root, look "
        "whether its firmware fits this service, and send the detail to the developers",
    ),
    "message_too_large": Words(
        "was sent a message that is too large",
        "It skipped it, and goes on by what it had before. Tareline sends none that large: look who else writes under "
        "this root",
    ),
    "link_refused": Words(
        "is refused by the broker",
        "Look at the user and password on the board, and at what the broker lets that user read and write",
    ),
    "tls_refused": Words(
        "does not accept the broker's certificate",
        "Look at the authority's certificate on the board, at the broker's name in its certificate, and at its date",
    ),
    "protocol_error": Words(
        "was sent what is no MQTT", "It connects again by itself. If it comes again, look what answers at that address"
    ),
    "other_installation": Words(
        "took a plan from another service",
        "If you moved the service or began a new store, all is well. If not, find the other service and end it: two of "
        "them feed twice",
    ),
    "cell_dead": Words(
        "has a load cell that gives nothing",
        f"{_CELL}. Look at the converter's supply and its two wires; a clock wire held high switches it off",
    ),
    "cell_saturated": Words(
        "has a load cell at the end of its range",
        f"{_CELL}. Look for swapped signal wires, for too heavy a hopper, and for a broken cell",
    ),
    "cell_stuck": Words(
        "has a load cell that says the same again and again",
        f"{_CELL}. Cut the converter's power for a minute; if it comes again, replace it",
    ),
    "cell_quiet": Words(
        "has a load cell that is too quiet to be alive",
        f"{_CELL}. Cut the converter's power for a minute; if it comes again, replace it",
    ),
    "scale_uncalibrated": Words(
        "has a scale that was never calibrated", f"{_CELL}. Tare it, and calibrate it with a mass that you trust"
    ),
    "scale_damaged": Words("lost the calibration of its scale", f"{_CELL}. Tare and calibrate it again. {_FLASH}"),
    "calibration_refused": Words(
        "did not believe a calibration",
        "It keeps the one it had. Look for something that touches the hopper, check the mass, and try again",
    ),
    "thermometer_dead": Words(
        "has a thermometer that does not answer", "Look at the thermometer's plug, cable and pull-up resistor"
    ),
    "thermometer_implausible": Words(
        "reads a temperature that no aquarium has", "It is not sent. Look at the thermometer's plug and cable"
    ),
    "converter_dead": Words("has a converter that gives nothing", "Look at the converter's supply and wires"),
    "converter_saturated": Words(
        "measures beyond its range", f"{_OLD_VOLTAGE}. Look for salt water or a short between the electrodes"
    ),
    "converter_noisy": Words(
        "has readings that scatter too much", f"{_OLD_VOLTAGE}. Look for a loose wire, a bubble, and a pump close by"
    ),
    "probe_dry": Words("is out of the water", "Hang the probe back into the water, below the surface"),
    "probe_shorted": Words(
        "has electrodes that touch", f"{_OLD_VOLTAGE}. Look for a drop or a wire across the electrodes"
    ),
    "sensor_calibration_damaged": Words(
        "lost the calibration of its conductivity cell", f"{_OLD_VOLTAGE}. Calibrate it again in its standard"
    ),
    "backlog_damaged": Words("lost samples that waited on its flash", f"Newer ones are whole. {_FLASH}"),
    "update_failed": Words(
        "went back from an update",
        "It runs the firmware that it had before, with its plan, hold, counters and doses as they were. Look at the "
        "detail, and try again while the network is steady",
    ),
}
# What a feeder stops itself for has alerts of its own.
UNWEIGHED = "stopped_unweighed"
CELL_FAULTS = ("cell_dead", "cell_saturated", "cell_stuck", "cell_quiet", "scale_uncalibrated", "scale_damaged")
NO_NEWS = (
    *STOPS,
    UNWEIGHED,
    *("button_release", "update_done", "clock_jump", "gain_refused", "backlog_thinned", "samples_lost"),
)
LOSS = "mass_lost"
_LOST_UG = re.compile(r"(\d{1,9}) ug\b")
UNKNOWN_FAULT = "firmware/README.md says for each fault what to do"
