"""The texts of a device's fault codes for a keeper: what happened, and what to do. firmware/README.md lists the
codes."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from tareline.core.safety.stops import STOPS


def lost_g(code: str, detail: str | None) -> float:
    """The mass in grams that left a hopper without a motor step, as its feeder reports it: the part that is beyond the
    uncertainty of its cell. 0 for every other fault, and where the detail states no mass."""
    found = _LOST_UG.match(detail or "") if code == LOSS else None
    return int(found[1]) / 1e6 if found is not None else 0.0


@dataclass(frozen=True, slots=True)
class FaultText:
    """what: follows the device's name. do: what the device does automatically, and what a person should do."""

    what: str
    do: str


_FLASH = "If this happens again, replace the board: its flash memory is failing"
_CELL = "A feeder continues to feed by counting motor steps, without weighing, for a week at most, and then stops"
_OLD_VOLTAGE = "Until this is corrected, it sends only the voltage"
FAULTS: Mapping[str, FaultText] = {
    "journal_damaged": FaultText(
        "found damage in its records and feeds nothing",
        f"It feeds again when its daily counter restarts, within about a day. {_FLASH}",
    ),
    "plan_damaged": FaultText("lost its plan", f"It feeds nothing until it has one again; Tareline sends it. {_FLASH}"),
    "hold_damaged": FaultText(
        "lost the hold that it had",
        f"It feeds nothing until it receives the hold again, which Tareline sends at once. {_FLASH}",
    ),
    "flash_failed": FaultText(
        "cannot use its flash", f"It feeds no dose that it cannot record. Restart the device. {_FLASH}"
    ),
    "journal_full": FaultText(
        "feeds nothing: too many of its doses wait to be sent",
        "It deletes no dose to make room for another. Check whether it has been off the network, and whether the "
        "broker forwards its messages; it continues once Tareline has received some of the doses",
    ),
    "counter_differs": FaultText(
        "found that its two daily counters differ",
        "It feeds nothing until a restart has read them again. Restart it; if this happens again, replace the board",
    ),
    "firmware_damaged": FaultText(
        "found its own files damaged",
        "A feeder in this state feeds nothing. Write the board again with `tareline flash`",
    ),
    "watchdog_restart": FaultText(
        "hung and was restarted by its watchdog",
        "It continues automatically, and an interrupted dose counts in full. If this happens again, check its power "
        "supply, and send the detail to the developers",
    ),
    "program_error": FaultText(
        "restarted after an error in its program",
        "It continues automatically, with everything it had stored. If this happens again, send the detail to the "
        "developers",
    ),
    "button_hold": FaultText(
        "is held by its button",
        "Somebody pressed the feeder's button: ask who, and press long again to let it feed",
    ),
    "mass_lost": FaultText(
        "lost food without a dose",
        "The lost food counts against the day's cap; if the loss continues, the feeder stops itself. Look for "
        "spilled food under the feeder and in the water, and for a hopper that leaks or touches something; enter it "
        "as a loss. If somebody took the hopper off, enter that too",
    ),
    "message_refused": FaultText(
        "could not process a message",
        "It has discarded the message, and continues with the earlier ones. If nobody else writes under this root "
        "topic, check whether its firmware version suits this service, and send the detail to the developers",
    ),
    "message_too_large": FaultText(
        "was sent a message that is too large",
        "It skipped the message, and continues with the earlier ones. Tareline never sends such large messages: "
        "check who else writes under this root topic",
    ),
    "link_refused": FaultText(
        "is refused by the broker",
        "Check the user name and password on the board, and what the broker allows that user to read and write",
    ),
    "tls_refused": FaultText(
        "does not accept the broker's certificate",
        "Look at the authority's certificate on the board, at the broker's name in its certificate, and at its date",
    ),
    "protocol_error": FaultText(
        "received data that is not MQTT",
        "It connects again automatically. If this happens again, check which program answers at the broker's address",
    ),
    "other_installation": FaultText(
        "took a plan from another service",
        "If you moved the service or started a new database, nothing is wrong. If not, find the other service and "
        "stop it: two of them feed twice the ration",
    ),
    "cell_dead": FaultText(
        "has a load cell that sends no values",
        f"{_CELL}. Look at the converter's supply and its two wires; a clock wire that stays high switches the "
        "converter off",
    ),
    "cell_saturated": FaultText(
        "has a load cell at the end of its range",
        f"{_CELL}. Look for swapped signal wires, for too heavy a hopper, and for a broken cell",
    ),
    "cell_stuck": FaultText(
        "has a load cell that repeats the same value",
        f"{_CELL}. Disconnect the converter's power for a minute; if this happens again, replace it",
    ),
    "cell_quiet": FaultText(
        "has a load cell whose signal shows too little noise to be real",
        f"{_CELL}. Disconnect the converter's power for a minute; if this happens again, replace it",
    ),
    "scale_uncalibrated": FaultText(
        "has a scale that was never calibrated", f"{_CELL}. Tare it, and calibrate it with a mass that you trust"
    ),
    "scale_damaged": FaultText("lost the calibration of its scale", f"{_CELL}. Tare and calibrate it again. {_FLASH}"),
    "calibration_refused": FaultText(
        "rejected a calibration as implausible",
        "It keeps its earlier calibration. Look for something that touches the hopper, check the mass, and try again",
    ),
    "thermometer_dead": FaultText(
        "has a thermometer that does not answer", "Look at the thermometer's plug, cable and pull-up resistor"
    ),
    "thermometer_implausible": FaultText(
        "reads a temperature that no aquarium has", "The value is not sent. Check the thermometer's plug and cable"
    ),
    "converter_dead": FaultText("has a converter that sends no values", "Look at the converter's supply and wires"),
    "converter_saturated": FaultText(
        "measures a value outside its range", f"{_OLD_VOLTAGE}. Look for salt water or a short between the electrodes"
    ),
    "converter_noisy": FaultText(
        "has readings that scatter too much", f"{_OLD_VOLTAGE}. Look for a loose wire, a bubble, and a pump close by"
    ),
    "probe_dry": FaultText("is out of the water", "Hang the probe back into the water, below the surface"),
    "probe_shorted": FaultText(
        "has electrodes that touch", f"{_OLD_VOLTAGE}. Look for a drop or a wire across the electrodes"
    ),
    "sensor_calibration_damaged": FaultText(
        "lost the calibration of its conductivity cell", f"{_OLD_VOLTAGE}. Calibrate it again in its standard"
    ),
    "backlog_damaged": FaultText("lost samples that waited on its flash", f"Newer samples are complete. {_FLASH}"),
    "update_failed": FaultText(
        "returned to its earlier firmware after a failed update",
        "It runs its earlier firmware; its plan, hold, counters and doses are unchanged. Look at the "
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
UNKNOWN_FAULT = "firmware/README.md explains what to do for each fault"
