"""The 1-Wire bus on one open-drain pin with a pull-up: slots timed in software. Times from the data sheets of its
devices, from memory."""

RESET_US = 480
PRESENCE_US = 70  # after the release; a device answers from 15..60 us on for 60..240 us
SHORT_US = 4  # the start of a slot that reads, or writes a one; the device looks after 15
WRITE_ZERO_US = 60
SLOT_US = 60
RECOVERY_US = 5


def crc8(data):
    """The check byte of 1-Wire devices: x^8 + x^5 + x^4 + 1, the lowest bit first. Over data and its check byte: 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


class OneWireBus:
    """pin: open drain, as `machine.Pin`; time and irq as in hx711.py. An interrupt in a slot spoils a bit: whoever
    reads must check the CRC."""

    def __init__(self, pin, time, irq=None):
        self._pin = pin
        self._sleep_us = time.sleep_us
        self._irq = irq
        pin.value(1)

    def reset(self):
        """Start anew. Returns whether a device answered; False also where the line stays low."""
        pin = self._pin.value
        sleep = self._sleep_us
        if not pin():
            return False
        pin(0)
        sleep(RESET_US)
        state = self._irq.disable_irq() if self._irq else None
        pin(1)
        sleep(PRESENCE_US)
        present = not pin()
        if self._irq:
            self._irq.enable_irq(state)
        sleep(RESET_US - PRESENCE_US)
        return present and bool(pin())

    def write(self, byte):
        """Send a byte, the lowest bit first."""
        for i in range(8):
            self._slot(byte >> i & 1)

    def read(self, size):
        """Receive so many bytes."""
        data = bytearray(size)
        for i in range(8 * size):
            data[i >> 3] |= self._slot(1) << (i & 7)
        return bytes(data)

    def _slot(self, bit):
        """One slot: send a zero, or send a one and look what the line says, which is also how to read."""
        pin = self._pin.value
        sleep = self._sleep_us
        irq = self._irq
        state = irq.disable_irq() if irq else None
        pin(0)
        if bit:
            sleep(SHORT_US)
            pin(1)
            bit = pin()
            sleep(SLOT_US)
        else:
            sleep(WRITE_ZERO_US)
            pin(1)
        if irq:
            irq.enable_irq(state)
        sleep(RECOVERY_US)
        return bit
