"""The weighing in whole numbers, for CPython and MicroPython alike: `run()` returns what both must agree on.

Under MicroPython, with the firmware's folder and this one on the path: `import portable_weighing;
print(portable_weighing.run())`.
"""

try:
    from tareline.resources import load_firmware
except ImportError:
    load_firmware = __import__

weighing = load_firmware("weighing")
journal = load_firmware("journal")
hx711 = load_firmware("hx711")
stepper = load_firmware("stepper")
onewire_bus = load_firmware("onewire_bus")
ds18b20 = load_firmware("ds18b20")
converter = load_firmware("converter")
button = load_firmware("button")

GRAM = 1000000


class Noise:
    """Whole numbers that scatter about nothing like a normal distribution of deviation 1000; the same everywhere."""

    def __init__(self, seed):
        self.state = seed

    def next(self):
        total = 0
        for _ in range(12):
            # Multiplier and increment of Numerical Recipes' quick generator, from memory.
            self.state = (self.state * 1664525 + 1013904223) & 0xFFFFFFFF
            total += self.state >> 12
        return (total - 6 * (1 << 20)) * 1000 >> 20


class Flash:
    """Files in memory."""

    def __init__(self):
        self.files = {}
        self.full = False

    def read(self, name, at=0, size=None):
        return self.files.get(name)

    def replace(self, name, parts):
        if self.full:
            raise OSError(28)
        self.files[name] = b"".join(parts)


class Cell:
    """A load cell in whole numbers: 20 counts a milligram unless told otherwise, noise of `scatter` counts.

    `knob` says what is out of order; tail_ug shrinks by a thirty-second with each conversion.
    """

    ceiling = 8388607
    least_noise = 4

    def __init__(self, seed=1, rate_hz=10):
        self.noise = Noise(seed)
        self.rate_hz = rate_hz
        self.scatter = 30
        self.per_g = 20000
        self.zero = -54321
        self.mass_ug = 0
        self.tail_ug = 0
        self.knob = None
        self.given = 0

    def convert(self):
        self.given += 1
        if self.knob == "dead" or (self.knob == "patchy" and self.given % 10 == 0):
            return None
        if self.knob == "saturated":
            return self.ceiling
        if self.knob == "saturated_below":
            return -self.ceiling - 1
        if self.knob == "stuck":
            return 12345
        self.tail_ug -= self.tail_ug // 32
        counts = self.zero + (self.mass_ug + self.tail_ug) * self.per_g // GRAM
        if self.knob == "spikes" and self.given % 16 == 5:
            counts += 400000
        return counts + self.noise.next() * (1 if self.knob == "quiet" else self.scatter) // 1000


def calibrated(seed=1, rate_hz=10):
    """A scale that was tared empty, calibrated with 50 g and checked with 20 g."""
    scale = weighing.Scale(Cell(seed, rate_hz), Flash())
    assert scale.tare()
    scale.cell.mass_ug = 50 * GRAM
    assert scale.calibrate(50 * GRAM)
    scale.cell.mass_ug = 20 * GRAM
    assert scale.calibrate(20 * GRAM)
    return scale


def masses():
    """What scales of both rates and both signs show, and with what deviation."""
    found = []
    for rate_hz in (10, 80):
        for sign in (1, -1):
            scale = weighing.Scale(Cell(rate_hz, rate_hz), Flash())
            scale.cell.per_g *= sign
            assert scale.tare()
            scale.cell.mass_ug = 50 * GRAM
            assert scale.calibrate(50 * GRAM)
            for mass_ug in (50 * GRAM, 12345678, 20000, 0, -3 * GRAM):
                scale.cell.mass_ug = mass_ug
                mean, deviation = scale.weigh()
                assert abs(mean - mass_ug) <= 5 * deviation + 50, (mean, mass_ug, deviation)
                found += [mean, deviation]
    return found


def settling():
    """A weighing begun right after a dose waits for the tail, and one that never ends widens the deviation."""
    scale = calibrated(7)
    found = [scale.calibration]
    scale.cell.given = 0
    scale.cell.tail_ug = 500000
    found += list(scale.weigh())
    found.append(scale.cell.given)
    assert abs(found[1] - 20 * GRAM) < 4 * found[2]
    assert scale.cell.given > weighing.WINDOW
    scale.cell.given = 0
    scale.cell.tail_ug = 200 * GRAM
    mean, deviation = scale.weigh()
    assert abs(mean - 20 * GRAM) < 3 * deviation
    assert scale.cell.given == weighing.MOST_SAMPLES
    found += [mean, deviation]
    return found


def faults():
    """Every fault by its knob, and back to good after it."""
    found = []
    scale = calibrated(3)
    for knob in ("dead", "saturated", "saturated_below", "stuck", "quiet", "patchy", "spikes"):
        scale.cell.knob = knob
        scale.cell.given = 0
        weight = scale.weigh()
        found += [knob, scale.fault or "good", scale.detail, scale.cell.given, 0 if weight is None else weight[0]]
        scale.cell.knob = None
        assert scale.weigh() is not None
        assert scale.fault is None
        assert scale.detail == ""
    return found


def numbers():
    """The parts by themselves."""
    found = []
    noise = Noise(5)
    samples = [noise.next() for _ in range(weighing.WINDOW)]
    for place in (3, 20, 40):
        samples[place] += 90000
    marks = bytearray(weighing.WINDOW)
    found.append(weighing.mark_outlying(samples, marks))
    found.append([i for i in range(len(marks)) if marks[i]])
    found += list(weighing.variance_of_mean(samples[: weighing.BODY], weighing.BODY))
    found.append(onewire_bus.crc8(b"123456789"))
    return found


class Wire:
    """A pin, a chip and a clock in one: shifts out `register` after each 25 pulses; every look at it takes a bit."""

    def __init__(self, register=0, level=0):
        self.register = register
        self.level = level
        self.pulses = 0
        self.ms = 0

    def value(self, level=None):
        if level is None:
            return self.level
        if level:
            self.pulses += 1

    def data(self):
        """The data line of a converter: low when ready, then its bits, high after the last."""
        at = self.pulses
        if at >= 25:
            self.pulses = 0
            return 1
        return self.register >> (24 - at) & 1 if at else 0

    def ticks_us(self):
        return 0

    def ticks_ms(self):
        return self.ms

    def ticks_diff(self, end, start):
        return end - start

    def sleep_us(self, us):
        pass

    def sleep_ms(self, ms):
        self.ms += ms

    def reset(self):
        return True

    def write(self, byte):
        pass

    def read(self, size):
        """The scratchpad of -10.125 degrees Celsius."""
        data = b"\x5e\xff\x4b\x46\x7f\xff\x0c\x10"
        return data + bytes([onewire_bus.crc8(data)])

    def read_uv(self):
        return 1234567


class DataLine:
    """The converter's other pin."""

    def __init__(self, wire):
        self.value = wire.data


def drivers():
    """Each driver once, on wires. The motor's 20 steps are made with the heap locked: what took memory would raise."""
    found = []
    for register in (0x000001, 0x7FFFFF, 0x800000, 0xFFFFFE):
        wire = Wire(register)
        cell = hx711.HX711(DataLine(wire), wire, wire)
        wire.pulses = 0
        wire.ms += 1000
        found.append(cell.convert())
    step = Wire()
    found += [stepper.Stepper(step, Wire(), Wire(), step).turn(20), step.pulses]
    wire = Wire()
    found.append(ds18b20.DS18B20(wire, wire).read())
    found += [len(converter.ConverterInput(wire, wire, wire, wire, wire).read()), wire.ms]
    contact = Wire(level=1)
    key = button.Button(contact, contact)
    for level in (1,) * 4 + (0,) * 4 + (1,) * 4 + (0,) * 160:
        contact.level = level
        contact.ms += 20
        found += [told for told in (key.look(),) if told]
    return found


def run():
    """What both interpreters must agree on."""
    return masses() + settling() + faults() + numbers() + drivers()
