"""Whether the settings lead to the broker, tried from the board itself, step by step: network, name, connection,
certificate, login.

`tareline flash` runs it through the board's prompt before it lets the board go. The client identifier is the device's
with "-try" behind it and the session is a clean one, so that nothing that waits for the device is touched.
"""

import socket

import mqtt
from sockets import Sockets, TlsRefusedError

JOIN_MS = 25000
ABSENT_MS = 8000  # for a network that the radio does not hear
ANSWER_MS = 15000
LOOK_MS = 200
KEEP_ALIVE_S = 30
MOST_SEEN = 8  # networks that are told where the wanted one is not among them


class StepError(Exception):
    """What failed: `step`, and why, in a sentence."""

    def __init__(self, step, why):
        super().__init__(why)
        self.step = step
        self.why = why


def join(wifi, network, time):
    """Join the network. Raises StepError."""
    wlan = network.WLAN(network.STA_IF)
    wlan.active(True)
    if wlan.isconnected():
        wlan.disconnect()
    try:
        wlan.connect(wifi["ssid"], wifi["password"] or None)
    except OSError as error:
        raise StepError("network", "the radio does not start: %s" % error) from None
    began = time.ticks_ms()
    while not wlan.isconnected():
        status = wlan.status()
        if status == getattr(network, "STAT_WRONG_PASSWORD", None):
            raise StepError("network", "the password of %s was refused" % wifi["ssid"])
        absent = status == getattr(network, "STAT_NO_AP_FOUND", None)
        if time.ticks_diff(time.ticks_ms(), began) > (ABSENT_MS if absent else JOIN_MS):
            raise StepError("network", _why_not(wlan, wifi["ssid"]))
        time.sleep_ms(LOOK_MS)


def _why_not(wlan, ssid):
    """Why a network was not joined in time, as far as what is on the air tells."""
    status = wlan.status()
    seen = []
    try:
        wlan.disconnect()
        for found in wlan.scan():
            name = found[0].decode()
            if name and name not in seen:
                seen.append(name)
    except (OSError, ValueError):
        pass
    if ssid in seen:
        return "%s is there but does not let the board in (status %s); is the password right?" % (ssid, status)
    found = ", ".join(seen[:MOST_SEEN]) or "none"
    return "%s was not found (a board hears 2.4 GHz only); networks that are heard: %s" % (ssid, found)


def log_in(settings, time):
    """Look the broker up, connect, and log in. Yields the name of each step that is done. Raises StepError."""
    host, port = settings["host"], settings["port"]
    try:
        socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM)
    except OSError as error:
        raise StepError("name", "%s: no address is known under this name (%s)" % (host, error)) from None
    yield "name"
    try:
        line = Sockets(settings).open()
    except TlsRefusedError as error:
        raise StepError("certificate", str(error)) from None
    except (OSError, ValueError) as error:
        raise StepError("connection", "%s port %s: %s" % (host, port, error)) from None
    try:
        wait = _Wait(line, time)
        try:
            while not line.ready():
                wait.once(True)
        except TlsRefusedError as error:
            raise StepError("certificate", str(error)) from None
        except OSError as error:
            raise StepError("connection", "%s port %s does not take it: %s" % (host, port, error)) from None
        yield "connection"
        code = _answer(line, wait, _connect_packet(settings), "certificate" if settings["tls"] else "login")
        if code:
            raise StepError("login", mqtt.REFUSALS.get(code, "the broker refuses with code %d" % code))
        try:
            line.send(mqtt.DISCONNECT_PACKET)
        except OSError:
            pass
        yield "login"
    finally:
        line.close()


class _Wait:
    """Waits on a line, for ANSWER_MS in all."""

    def __init__(self, line, time):
        self._line = line
        self._time = time
        self._began = time.ticks_ms()

    def once(self, writing):
        if self._time.ticks_diff(self._time.ticks_ms(), self._began) > ANSWER_MS:
            raise OSError("no answer within %d s" % (ANSWER_MS // 1000))
        self._line.wait(LOOK_MS, writing)


def _connect_packet(settings):
    """CONNECT with a clean session and no will (MQTT 3.1.1, section 3.1)."""
    flags = 0x02
    body = mqtt.string(settings["device"] + "-try")
    if settings["user"]:
        flags |= 0x80
        body += mqtt.string(settings["user"])
        if settings["password"]:
            flags |= 0x40
            body += mqtt.string(settings["password"])
    body = b"\x00\x04MQTT\x04" + bytes((flags, KEEP_ALIVE_S >> 8, KEEP_ALIVE_S & 0xFF)) + body
    return b"\x10" + mqtt.remaining_length(len(body)) + body


def _answer(line, wait, packet, step):
    """Send CONNECT; the return code of its CONNACK. step: what is blamed until all of it has gone over the line."""
    sent = 0
    got = bytearray()
    buffer = bytearray(4)
    try:
        while sent < len(packet):
            count = line.send(packet[sent:])
            sent += count
            if not count:
                wait.once(True)
        step = "login"
        while len(got) < 4:
            count = line.receive(buffer)
            got += buffer[:count]
            if not count:
                wait.once(False)
    except TlsRefusedError as error:
        raise StepError("certificate", str(error)) from None
    except OSError as error:
        raise StepError(step, str(error)) from None
    if got[0] != mqtt.CONNACK or got[1] != 2:
        raise StepError("login", "what answers is no MQTT broker")
    return got[3]


def run(settings, network, time):
    """Print `done STEP` for each step, then `works`, or `failed STEP WHY` as the last line."""
    try:
        join(settings["wifi"], network, time)
        print("done network")
        if settings["tls"]:
            _ask_time()
        for step in log_in(settings, time):
            print("done " + step)
    except StepError as error:
        print("failed %s %s" % (error.step, error.why))
        return
    print("works")


def _ask_time():
    """A certificate has dates: the board asks for the time first, as it does when it runs."""
    try:
        import ntptime

        ntptime.settime()
    except (ImportError, OSError, OverflowError):
        pass  # then the certificate's check will tell
