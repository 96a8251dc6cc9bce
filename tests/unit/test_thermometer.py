"""The 1-Wire thermometer, bit by bit. Figures of the chip: its data sheet, from memory."""

import pytest
from chips import Thermometer, VirtualTime, dallas_crc

from tareline.resources import load_firmware

onewire = load_firmware("onewire_bus")
ds18b20 = load_firmware("ds18b20")


def thermometer(chip, irq=None):
    return ds18b20.DS18B20(onewire.OneWireBus(chip.pin, chip.time, irq), chip.time)


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        # The maker's application note 27 on check bytes, its worked example of a serial number; from memory.
        (bytes.fromhex("021cb801000000"), 0xA2),
        # The scratchpad as it is after power-on; data sheet, from memory.
        (bytes.fromhex("50054b467fff0c10"), 0x1C),
        # CRC-8/MAXIM-DOW in the catalogue of parametrised CRC algorithms; from memory.
        (b"123456789", 0xA1),
    ],
)
def test_check_bytes_are_the_published_ones(data, crc):
    assert onewire.crc8(data) == crc
    assert dallas_crc(list(data)) == crc, "and so are those of the simulated chip"
    assert onewire.crc8(data + bytes([crc])) == 0


@pytest.mark.parametrize(
    ("raw", "centi_c"),
    # The data sheet's table of temperatures and registers (from memory), without 85, in hundredths rounded half up.
    [
        (0x07D0, 12500),
        (0x0191, 2506),
        (0x00A2, 1013),
        (0x0008, 50),
        (0x0000, 0),
        (0xFFF8, -50),
        (0xFF5E, -1012),
        (0xFE6F, -2506),
        (0xFC90, -5500),
    ],
)
def test_registers_mean_the_published_temperatures(raw, centi_c):
    assert thermometer(Thermometer(VirtualTime(), raw)).read() == centi_c


def test_the_conversion_gets_its_750_ms_and_no_less():
    time = VirtualTime()
    chip = Thermometer(time)
    begun = time.us
    assert thermometer(chip).read() == 2506
    assert 750_000 <= time.us - begun < 775_000
    assert chip.conversions == 1


def test_a_conversion_that_was_started_before_need_not_be_waited_for():
    time = VirtualTime()
    chip = Thermometer(time)
    sensor = thermometer(chip)
    assert sensor.start()
    time.sleep_ms(800)
    begun = time.us
    assert sensor.read() == 2506
    assert time.us - begun < 20_000


def test_85_degrees_after_power_on_are_refused_and_the_next_reading_is_good():
    chip = Thermometer(VirtualTime())
    sensor = thermometer(chip)
    sensor.start()
    chip.brown_out()
    assert sensor.read() is None
    assert "85" in sensor.detail
    assert sensor.read() == 2506
    assert sensor.detail == ""


@pytest.mark.parametrize("bit", [0, 7, 12, 36, 55, 63, 64, 71])
def test_a_spoilt_bit_is_recognised_and_read_again(bit):
    chip = Thermometer(VirtualTime())
    chip.flip = bit
    sensor = thermometer(chip)
    assert sensor.read() == 2506


@pytest.mark.parametrize(("how", "detail"), [("present", "no thermometer"), ("shorted", "no thermometer")])
def test_no_answer_and_a_line_held_low_are_no_temperature(how, detail):
    chip = Thermometer(VirtualTime())
    setattr(chip, how, how == "shorted")
    sensor = thermometer(chip)
    assert sensor.read() is None
    assert detail in sensor.detail


def test_zeros_have_a_right_check_byte_and_are_refused_all_the_same():
    """A line that is shorted after the presence pulse gives nine zero bytes."""
    chip = Thermometer(VirtualTime())

    def obey(command):
        if command == 0xBE:
            chip._state = "answer"
            zeros(chip)

    chip._obey = obey  # type: ignore[method-assign]
    sensor = thermometer(chip)
    assert onewire.crc8(bytes(9)) == 0
    assert sensor.read() is None
    assert "damaged" in sensor.detail


def zeros(chip):
    chip._answer = [0] * 72


@pytest.mark.parametrize(
    ("config", "centi_c"),
    # Data sheet: R1 R0 in bits 6 and 5; 9 to 12 bits; bits below are undefined.
    [(0x1F, 2550), (0x3F, 2575), (0x5F, 2588), (0x7F, 2594)],
)
def test_undefined_bits_of_a_coarser_resolution_do_not_count(config, centi_c):
    chip = Thermometer(VirtualTime(), raw=0x019F)
    chip.config = config
    assert thermometer(chip).read() == centi_c


def test_a_register_beyond_the_chips_range_is_refused():
    assert thermometer(Thermometer(VirtualTime(), raw=0x07D1)).read() is None
    assert thermometer(Thermometer(VirtualTime(), raw=0xFC8F)).read() is None


def test_an_interrupt_anywhere_gives_the_right_temperature_or_none():
    damaged = 0
    for after_us in range(1, 7_000, 11):
        time = VirtualTime()
        chip = Thermometer(time)
        sensor = thermometer(chip)
        assert sensor.start()
        time.sleep_ms(760)
        time.interrupt(after_us, 200)
        got = sensor._scratchpad()
        assert got in {None, 2506}
        damaged += got is None
    assert damaged > 20, "the interrupts did hit slots"


def test_with_interrupts_held_off_in_each_slot_every_reading_is_good():
    for after_us in range(1, 7_000, 11):
        time = VirtualTime()
        chip = Thermometer(time)
        sensor = thermometer(chip, irq=time)
        assert sensor.start()
        time.sleep_ms(760)
        time.interrupt(after_us, 200)
        assert sensor._scratchpad() == 2506
        assert not time.held_off
