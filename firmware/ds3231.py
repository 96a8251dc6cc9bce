"""A DS3231 clock with a battery, on I2C. Registers from its data sheet, from memory.

It keeps UTC. Its status tells whether its oscillator has ever stopped: then its time is nobody's, and none is given.
"""

ADDRESS = 0x68
SECONDS = 0x00
STATUS = 0x0F
STOPPED = 0x80
DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
DAYS_TO_2000 = 10957  # from 1970


def unix_s(year, month, day, hour, minute, second):
    """Seconds since 1970 of a UTC time from 2000 to 2099, every fourth year of which is a leap year."""
    days = (year - 2000) * 365 + (year - 2000 + 3) // 4 + DAYS_BEFORE[month - 1] + day - 1
    if year % 4 == 0 and month > 2:
        days += 1
    return ((DAYS_TO_2000 + days) * 24 + hour) * 3600 + minute * 60 + second


def calendar(at_s):
    """(year, month, day, hour, minute, second) of seconds since 1970, from 2000 to 2099."""
    days = at_s // 86400 - DAYS_TO_2000
    year = 2000 + days * 4 // 1461
    day = days - ((year - 2000) * 365 + (year - 2000 + 3) // 4)
    month = 12
    while day < DAYS_BEFORE[month - 1] + (1 if year % 4 == 0 and month > 2 else 0):
        month -= 1
    day -= DAYS_BEFORE[month - 1] + (1 if year % 4 == 0 and month > 2 else 0)
    return year, month, day + 1, at_s // 3600 % 24, at_s // 60 % 60, at_s % 60


def _from_bcd(byte):
    return (byte >> 4) * 10 + (byte & 15)


def _to_bcd(number):
    return number // 10 << 4 | number % 10


class DS3231:
    """i2c: with readfrom_mem and writeto_mem, as `machine.I2C`. All calls raise OSError where no chip answers."""

    def __init__(self, i2c):
        self._i2c = i2c

    def read_s(self):
        """Seconds since 1970, or None where the clock has stopped or says nonsense."""
        if self._i2c.readfrom_mem(ADDRESS, STATUS, 1)[0] & STOPPED:
            return None
        data = self._i2c.readfrom_mem(ADDRESS, SECONDS, 7)
        second, minute, hour = _from_bcd(data[0]), _from_bcd(data[1]), _from_bcd(data[2] & 0x3F)
        day, month, year = _from_bcd(data[4]), _from_bcd(data[5] & 0x1F), 2000 + _from_bcd(data[6])
        if data[2] & 0x40 or not (second < 60 and minute < 60 and hour < 24 and 1 <= day <= 31 and 1 <= month <= 12):
            return None
        return unix_s(year, month, day, hour, minute, second)

    def set_s(self, at_s):
        """Set the clock, and note that it is right."""
        year, month, day, hour, minute, second = calendar(at_s)
        fields = (second, minute, hour, 1, day, month, year - 2000)
        self._i2c.writeto_mem(ADDRESS, SECONDS, bytes([_to_bcd(field) for field in fields]))
        self._i2c.writeto_mem(ADDRESS, STATUS, bytes([self._i2c.readfrom_mem(ADDRESS, STATUS, 1)[0] & ~STOPPED & 0xFF]))
