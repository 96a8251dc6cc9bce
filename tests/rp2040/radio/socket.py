"""On the board of the tests, in place of a radio: one connection at a time over the second serial line, as sockets.py
of the firmware uses a socket. The other end of the line is the broker's; opening and closing are not told to it.

The line's registers are read here directly, and the sender waits while the receiver's 32 bytes are full: each look
through machine.UART would end the core's sleep (its lock sends an event), and a poll would be a loop that never rests.
"""

import io

import machine

AF_INET = 2
SOCK_STREAM = 1
IPPROTO_TCP = 6
TCP_NODELAY = 1
POLL = 3  # the request to a stream: what of these would not block
POLLIN = 1
POLLOUT = 4
# Registers of the RP2040's UART1 (its data sheet, section 4.2, from memory)
DATA = 0x40038000
FLAGS = 0x40038018
INTERRUPTS = 0x40038038
EMPTY = 0x10
FULL = 0x20

machine.UART(1, 115200, tx=machine.Pin(8), rx=machine.Pin(9))
machine.mem32[INTERRUPTS] = 0


def getaddrinfo(host, port, *_more):
    return [(AF_INET, SOCK_STREAM, 0, "", (host, port))]


class Connection(io.IOBase):
    def __init__(self, *_kind):
        while not machine.mem32[FLAGS] & EMPTY:
            machine.mem32[DATA]

    def setblocking(self, flag):
        assert not flag

    def setsockopt(self, *_option):
        pass

    def connect(self, address):
        pass

    def send(self, data):
        registers = machine.mem32
        for i in range(len(data)):
            while registers[FLAGS] & FULL:
                pass
            registers[DATA] = data[i]
        return len(data)

    def readinto(self, buffer):
        registers = machine.mem32
        count = 0
        while count < len(buffer) and not registers[FLAGS] & EMPTY:
            buffer[count] = registers[DATA] & 0xFF
            count += 1
        return count or None

    def ioctl(self, request, argument):
        if request == POLL:
            return argument & (POLLOUT if machine.mem32[FLAGS] & EMPTY else POLLOUT | POLLIN)
        return 0

    def close(self):
        pass


socket = Connection
