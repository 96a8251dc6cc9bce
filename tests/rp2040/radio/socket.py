"""On the board of the tests, in place of a radio: one connection at a time over the second serial line, as sockets.py of
the firmware uses a socket. The other end of the line is the broker's; opening and closing are not told to it."""

import io

import machine

AF_INET = 2
SOCK_STREAM = 1
IPPROTO_TCP = 6
TCP_NODELAY = 1
POLL = 3  # the request to a stream: what of these would not block
POLLIN = 1
POLLOUT = 4

line = machine.UART(1, 115200, tx=machine.Pin(8), rx=machine.Pin(9), rxbuf=4096)


def getaddrinfo(host, port, *_more):
    return [(AF_INET, SOCK_STREAM, 0, "", (host, port))]


class socket(io.IOBase):
    def __init__(self, *_kind):
        while line.any():
            line.read(line.any())

    def setblocking(self, flag):
        assert not flag

    def setsockopt(self, *_option):
        pass

    def connect(self, address):
        pass

    def send(self, data):
        return line.write(data)

    def readinto(self, buffer):
        return line.readinto(buffer, min(line.any(), len(buffer))) if line.any() else None

    def ioctl(self, request, argument):
        if request == POLL:
            return argument & (POLLOUT | (POLLIN if line.any() else 0))
        return 0

    def close(self):
        pass
