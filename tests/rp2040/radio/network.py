"""On the board of the tests: a network that is there as soon as somebody asks for it."""

STA_IF = 0


class WLAN:
    def __init__(self, interface):
        self._joined = False

    def active(self, on):
        pass

    def connect(self, ssid, password):
        self._joined = True

    def isconnected(self):
        return self._joined
