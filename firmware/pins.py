"""Which pin does what, for each kind of board, and which pins cannot do it. No board runs this: `tareline flash` takes
its defaults from here and refuses what cannot work, and the maker's guide draws its wiring from the same tables.

Pins by their GPIO numbers. Sources: the chips' data sheets, from memory: the tables of pins and of strapping pins, and
the chapters on the converter. In each table: the pins in their default places; `exists`; `reserved` with what each is
needed for; `analog`, those of the converter that works beside Wi-Fi; `input_only`, without output and pull-up.
"""

STRAPPING = "read at power-up to choose how the chip starts: what hangs on it can keep the board from starting"
FLASH = "the module's flash memory"
SERIAL = "the serial line of the prompt"
USB = "the USB port"
RADIO = "the Wi-Fi chip and the board's own supply"


def _all(numbers, reason):
    return dict.fromkeys(numbers, reason)


def _reserved(*groups):
    """One dictionary of several."""
    found = {}
    for group in groups:
        found.update(group)
    return found


ESP32 = {
    "text": "ESP32",
    # 16 and 17 are the extra memory of modules that have one; 12 decides on the flash's voltage; 0, 5, 14 and 15 show
    # pulses while the chip starts, so that none of these clocks a chip or turns a motor.
    "feeder": {
        "cell_data": 18,
        "cell_clock": 19,
        "motor_step": 25,
        "motor_direction": 26,
        "motor_enable": 27,
        "thermometer": 4,
        "button": 33,
        "clock_sda": 21,
        "clock_scl": 22,
    },
    "probe": {
        "converter_a": 34,
        "converter_b": 35,
        "drive_a": 25,
        "drive_b": 26,
        "thermometer": 4,
        "clock_sda": 21,
        "clock_scl": 22,
    },
    "exists": set(range(0, 20)) | {21, 22, 23, 25, 26, 27} | set(range(32, 40)),
    "reserved": _reserved(_all(range(6, 12), FLASH), _all((0, 2, 5, 12, 15), STRAPPING), _all((1, 3), SERIAL)),
    # The second converter (0, 2, 4, 12 to 15, 25 to 27) is Wi-Fi's.
    "analog": set(range(32, 40)),
    "input_only": set(range(34, 40)),
}

ESP32_S3 = {
    "text": "ESP32-S3",
    "feeder": {
        "cell_data": 4,
        "cell_clock": 5,
        "motor_step": 6,
        "motor_direction": 7,
        "motor_enable": 15,
        "thermometer": 16,
        "button": 17,
        "clock_sda": 8,
        "clock_scl": 9,
    },
    "probe": {
        "converter_a": 1,
        "converter_b": 2,
        "drive_a": 4,
        "drive_b": 5,
        "thermometer": 16,
        "clock_sda": 8,
        "clock_scl": 9,
    },
    "exists": set(range(0, 22)) | set(range(26, 49)),
    "reserved": _reserved(
        # 33 to 37 belong to it where the memory has eight lines.
        _all(range(26, 38), FLASH),
        _all((0, 3, 45, 46), STRAPPING),
        _all((19, 20), USB),
        _all((43, 44), SERIAL),
    ),
    # The second converter (11 to 20) is Wi-Fi's.
    "analog": set(range(1, 11)),
    "input_only": set(),
}

ESP32_C3 = {
    "text": "ESP32-C3",
    # All that is left: 8 is a strapping pin, but one that only counts where 9 is low, and the clock's pull-up holds it
    # high. Without a clock, 8 stays free.
    "feeder": {
        "cell_data": 0,
        "cell_clock": 1,
        "motor_step": 5,
        "motor_direction": 6,
        "motor_enable": 7,
        "thermometer": 3,
        "button": 4,
        "clock_sda": 8,
        "clock_scl": 10,
    },
    "probe": {
        "converter_a": 0,
        "converter_b": 1,
        "drive_a": 5,
        "drive_b": 6,
        "thermometer": 3,
        "clock_sda": 8,
        "clock_scl": 10,
    },
    "exists": set(range(0, 22)),
    "reserved": _reserved(
        _all(range(11, 18), FLASH),
        _all((2, 9), STRAPPING),
        _all((18, 19), USB),
        _all((20, 21), SERIAL),
    ),
    # The second converter (5) does not work beside Wi-Fi.
    "analog": set(range(0, 5)),
    "input_only": set(),
}

PICO_W = {
    "text": "Pico W",
    "feeder": {
        "cell_data": 16,
        "cell_clock": 17,
        "motor_step": 18,
        "motor_direction": 19,
        "motor_enable": 20,
        "thermometer": 22,
        "button": 15,
        "clock_sda": 4,
        "clock_scl": 5,
    },
    "probe": {
        "converter_a": 26,
        "converter_b": 27,
        "drive_a": 18,
        "drive_b": 19,
        "thermometer": 22,
        "clock_sda": 4,
        "clock_scl": 5,
    },
    "exists": set(range(0, 30)),
    "reserved": _all((23, 24, 25, 29), RADIO),
    "analog": {26, 27, 28},
    "input_only": set(),
}

PICO_2_W = dict(PICO_W, text="Pico 2 W")  # the same places on the board; RP2350 instead of RP2040

BOARDS = {"esp32": ESP32, "esp32-s3": ESP32_S3, "esp32-c3": ESP32_C3, "pico-w": PICO_W, "pico-2-w": PICO_2_W}
OPTIONAL = {"feeder": ("motor_stall", "clock_sda", "clock_scl"), "probe": ("clock_sda", "clock_scl")}
INPUTS = ("cell_data", "motor_stall", "converter_a", "converter_b")


def names(kind):
    """Every name that a pin of a feeder or of a probe can have."""
    return sorted(set(ESP32[kind]) | set(OPTIONAL[kind]))


def objection(board, name, number):
    """Why this pin of the board cannot serve under this name; "" where it can."""
    table = BOARDS[board]
    if number not in table["exists"]:
        return "%s has no GPIO %d" % (table["text"], number)
    if number in table["reserved"]:
        return "GPIO %d of %s: %s" % (number, table["text"], table["reserved"][number])
    if name.startswith("converter_") and number not in table["analog"]:
        able = ", ".join([str(pin) for pin in sorted(table["analog"])])
        return "GPIO %d of %s cannot measure a voltage beside Wi-Fi; expected one of %s" % (number, table["text"], able)
    if number in table["input_only"] and name not in INPUTS:
        return "GPIO %d of %s is an input without a pull-up" % (number, table["text"])
    return ""
