"""Wiring plans of feeder and probe, from the pin tables. Each wire runs level from the board to its part: the board's
pins stand in the parts' order, so that no wire crosses another."""

from sheet import Sheet

BOARD_X, BOARD_WIDTH = 30, 240
EDGE = BOARD_X + BOARD_WIDTH
RESISTOR_X = 360
PART_X, PART_WIDTH = 520, 220
FAR_X, FAR_WIDTH = 850, 150
FEEDER_WIDTH, PROBE_WIDTH = 1030, 780
TOP = 130
PITCH = 36

# Which terminal of which part each pin of the firmware's tables goes to.
GOES_TO = {
    "cell_data": ("converter", "data"),
    "cell_clock": ("converter", "clock"),
    "motor_enable": ("driver", "enable (low: on)"),
    "motor_direction": ("driver", "direction"),
    "motor_step": ("driver", "step"),
    "thermometer": ("thermometer", "data"),
    "button": ("button", "contact"),
    "clock_sda": ("clock", "SDA"),
    "clock_scl": ("clock", "SCL"),
    "drive_a": ("cell", "electrode a"),
    "converter_a": ("cell", "electrode a"),
    "converter_b": ("cell", "electrode b"),
    "drive_b": ("cell", "electrode b"),
}
PULL_UP, TEN = "4.7 kilo-ohm", "10 kilo-ohm"
NOTE = "All points of one voltage are one wire, all grounds are one wire. A dot joins wires."


class Plan:
    """One wiring plan while it is drawn, from the top down."""

    def __init__(self, sheet, table):
        self.sheet = sheet
        self.table = table
        self.y = TOP

    def wire(self, name, y, end=PART_X):
        """The board's pin and its wire to x = end."""
        part, terminal = GOES_TO[name]
        gpio = self.table[name]
        self.sheet.text(BOARD_X + 10, y + 5, name, "name")
        self.sheet.text(EDGE - 10, y + 5, f"GPIO {gpio}", anchor="end")
        self.sheet.circle(EDGE, y, 4, "dot", gpio=gpio)
        self.sheet.line([(EDGE, y), (end, y)], pin=name, gpio=gpio, part=part, terminal=terminal)

    def part(self, key, words, y, height, detail=""):
        self.sheet.box(PART_X, y, PART_WIDTH, height, "box soft", part=key)
        self.sheet.text(PART_X + PART_WIDTH - 8, y + height - 8, words, "name", "end")
        if detail:
            self.sheet.text(PART_X + PART_WIDTH - 8, y + height - 25, detail, "small", "end")

    def terminal(self, key, name, y):
        self.sheet.circle(PART_X, y, 4, "dot", part=key, terminal=name)
        self.sheet.text(PART_X + 10, y + 5, name, "small")

    def powered(self, y, height):
        """A part's supply above it and its ground below."""
        self.sheet.supply(PART_X + 60, y, "3.3 V")
        self.sheet.ground(PART_X + 60, y + height)

    def simple(self, key, words, names, detail="", powered=True):
        """A part with its wires; returns (top, height, the first wire's y)."""
        top, first = self.y - 22, self.y
        height = PITCH * len(names) + 52
        self.part(key, words, top, height, detail)
        for name in names:
            self.wire(name, self.y)
            self.terminal(key, GOES_TO[name][1], self.y)
            self.y += PITCH
        if powered:
            self.powered(top, height)
        self.y = top + height + 110
        return top, height, first

    def beyond(self, key, words, detail, wires, top):
        """A part on the far side of another, with its wires."""
        height = 30 * len(wires) + 44
        self.sheet.box(FAR_X, top, FAR_WIDTH, height, "box soft", part=key)
        for i, name in enumerate(wires):
            y = top + 20 + 30 * i
            self.sheet.line([(PART_X + PART_WIDTH, y), (FAR_X, y)])
            self.sheet.text(FAR_X + 8, y + 5, name, "small")
        self.sheet.text(FAR_X + FAR_WIDTH - 8, top + height - 25, detail, "small", "end")
        self.sheet.text(FAR_X + FAR_WIDTH - 8, top + height - 8, words, "name", "end")

    def thermometer(self, detail):
        y = self.simple("thermometer", "thermometer DS18B20", ["thermometer"], detail)[2]
        self.sheet.joint(RESISTOR_X, y)
        self.sheet.resistor(RESISTOR_X, y - 56, y, PULL_UP, pin="thermometer", to="3.3 V")
        self.sheet.supply(RESISTOR_X, y - 56, "3.3 V", 8)

    def clock(self):
        names = ["clock_sda", "clock_scl"]
        self.simple("clock", "clock with battery", names, "DS3231 with its pull-ups")

    def supply(self):
        """The supply, and the end of the board's block; returns the sheet's lowest y."""
        self.part("supply", "5 V supply", self.y - 22, 150, "certified, extra-low voltage")
        for y, name, terminal in ((self.y, "5 V input", "+ 5 V"), (self.y + 64, "ground", "ground")):
            self.sheet.text(EDGE - 10, y + 5, name, anchor="end")
            self.sheet.circle(EDGE, y, 4, "dot")
            self.sheet.line([(EDGE, y), (PART_X, y)])
            self.sheet.joint(RESISTOR_X, y)
            self.terminal("supply", terminal, y)
        self.sheet.supply(RESISTOR_X, self.y, "5 V")
        self.sheet.ground(RESISTOR_X, self.y + 64)
        self.sheet.text(EDGE - 10, self.y + 135, "3.3 V output", anchor="end")
        self.sheet.circle(EDGE, self.y + 130, 4, "dot")
        self.sheet.line([(EDGE, self.y + 130), (EDGE + 40, self.y + 130)])
        self.sheet.supply(EDGE + 40, self.y + 130, "3.3 V", 20)
        return self.y + 160


def finish(plan, text, kind):
    """Add the board's block below its labels, and the title, and cut the sheet to size."""
    sheet = plan.sheet
    bottom = plan.supply()
    written, sheet.parts = sheet.parts, []
    sheet.text(BOARD_X, 34, f"Wiring of a {kind}: {text}", "title")
    sheet.text(BOARD_X, 58, NOTE, "small")
    sheet.box(BOARD_X, TOP - 50, BOARD_WIDTH, bottom - TOP + 50, "box", part="board")
    sheet.text(BOARD_X + 10, TOP - 28, text, "name")
    sheet.parts += written
    sheet.height = bottom + 24
    return sheet


def describe(text, kind, table):
    wires = [f"{name} on GPIO {pin} goes to {' '.join(GOES_TO[name])}" for name, pin in table.items()]
    return f"{text}, {kind}: " + "; ".join(wires) + "."


def feeder(text, table):
    """The wiring plan of a feeder. table: pins by name."""
    sheet = Sheet(FEEDER_WIDTH, 0, f"Wiring of a feeder: {text}", describe(text, "feeder", table))
    plan = Plan(sheet, table)
    top, _, _ = plan.simple("converter", "24-bit converter", ["cell_data", "cell_clock"], "HX711, for load cells")
    plan.beyond(
        "load-cell", "load cell", "100 g to 500 g", ["excitation +", "excitation −", "signal +", "signal −"], top
    )
    plan.y += 50
    names = ["motor_enable", "motor_direction", "motor_step"]
    top, _, enable = plan.simple("driver", "stepper driver", names, "with current limit")
    step = enable + 2 * PITCH
    plan.beyond("motor", "stepper", "200 steps a turn", ["coil 1", "coil 1", "coil 2", "coil 2"], top)
    sheet.joint(RESISTOR_X, enable)
    sheet.resistor(RESISTOR_X, enable - 56, enable, TEN, pin="motor_enable", to="3.3 V")
    sheet.supply(RESISTOR_X, enable - 56, "3.3 V", 8)
    sheet.joint(RESISTOR_X, step)
    sheet.resistor(RESISTOR_X, step, step + 50, TEN, pin="motor_step", to="ground")
    sheet.ground(RESISTOR_X, step + 50, 8)
    x, y = PART_X + 150, top - 30
    sheet.line([(x, top), (x, y)])
    sheet.joint(x, y)
    sheet.supply(x, y, "5 V")
    sheet.line([(x, y), (x + 70, y)])
    sheet.box(x + 70, y - 12, 5, 24, "dot", capacitor="100 uF")
    sheet.box(x + 81, y - 12, 5, 24, "dot")
    sheet.line([(x + 86, y), (x + 125, y)])
    sheet.text(x + 62, y - 20, "+", "small")
    sheet.text(x + 78, y - 20, "100 µF, close by", "small")
    sheet.ground(x + 125, y, 8)
    plan.thermometer("beside the load cell")
    _, height, y = plan.simple("button", "push button", ["button"], "pull-up inside the board", False)
    sheet.ground(PART_X + 60, y - 22 + height)
    plan.clock()
    return finish(plan, text, "feeder")


def probe(text, table):
    """The wiring plan of a probe of conductivity and temperature. table: pins by name."""
    sheet = Sheet(PROBE_WIDTH, 0, f"Wiring of a probe: {text}", describe(text, "probe", table))
    plan = Plan(sheet, table)
    first = plan.y
    places = {"drive_a": first, "converter_a": first + 70, "converter_b": first + 140, "drive_b": first + 210}
    for name, y in places.items():
        plan.wire(name, y, RESISTOR_X if name.startswith("drive") else PART_X)
    for side, words in (("a", "a: 1 kilo-ohm, 1 %"), ("b", "b: 1 kilo-ohm, 1 %")):
        sheet.resistor(RESISTOR_X, places[f"drive_{side}"], places[f"converter_{side}"], words, pin=f"drive_{side}")
        sheet.joint(RESISTOR_X, places[f"converter_{side}"])
    plan.part("cell", "conductivity cell", first + 44, 172, "two electrodes, in the water")
    plan.terminal("cell", "electrode a", first + 70)
    plan.terminal("cell", "electrode b", first + 140)
    plan.y = first + 320
    plan.thermometer("waterproof, in the water")
    plan.clock()
    return finish(plan, text, "probe")
