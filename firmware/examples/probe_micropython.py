# The smallest probe that keeps the contract, in plain MicroPython: sockets and a few lines of MQTT 3.1.1, no library.
#
#     micropython probe_micropython.py probe-3 192.0.2.10 1883 [SECONDS BETWEEN SAMPLES]
#
# On a board: connect the network first, then run(DEVICE, HOST, PORT, 60). `measure` is the seam: put your thermometer
# and your conductivity cell there; here it is simulated.
#
# Left out on purpose: samples are kept in memory while the network is away (at most 200), not on flash; calibration by
# command; TLS; a watchdog. A probe moves nothing, so no rule of safety is left out.

import json
import random
import select
import socket
import sys
import time

DOWN_BYTES = 8192
KEEP_ALIVE_S = 30
KEPT = 200
EPOCH_MS = 946684800000 if time.gmtime(0)[0] == 2000 else 0


def measure():
    # Name, unit and value. Leave out what gives no value: never send a value that was not measured.
    return [
        ("temperature", "Cel", 24 + random.getrandbits(4) / 100),
        ("conductivity", "S/m", 0.0417),  # as measured, not brought to 25 degC
        ("voltage", "V", 0.97),
    ]


def text(raw):
    return len(raw).to_bytes(2, "big") + raw


class Probe:
    def __init__(self, device, host, port, period_s, clock=True):
        self.prefix = "tareline/" + device + "/"
        self.address = (host, port)
        self.period_ms = int(period_s * 1000)
        self.ahead_ms = 0 if clock else None  # of the board's clock; None: the clock is not set
        self.board = "example-" + device  # better: your chip's own id
        self.boot = "%08x" % random.getrandbits(32)
        self.uptime = 0
        self.tick = time.ticks_ms()
        self.kept = []  # uptime in ms, and values
        self.next_ms = 0
        self.done = []
        self.socket = None
        self.try_ms = 0
        self.restarting = False

    def uptime_ms(self):
        now = time.ticks_ms()
        self.uptime += time.ticks_diff(now, self.tick)
        self.tick = now
        return self.uptime

    def now_ms(self):
        return None if self.ahead_ms is None else EPOCH_MS + time.time_ns() // 1000000 + self.ahead_ms

    # -- MQTT 3.1.1, as much as a probe needs

    def connect(self):
        self.socket = socket.socket()
        self.poll = select.poll()
        self.poll.register(self.socket, select.POLLIN)
        self.buffer, self.skip, self.number, self.said_ms = b"", 0, 0, time.ticks_ms()
        prefix = self.prefix.encode()
        try:
            self.socket.connect(socket.getaddrinfo(self.address[0], self.address[1])[0][-1])
            head = text(b"MQTT") + bytes([4, 0x2C]) + KEEP_ALIVE_S.to_bytes(2, "big")  # last will: QoS 1, retained
            self.send(0x10, head + text(prefix) + text(prefix + b"up/status") + text(b'{"online": false}'))
            if not self.poll.poll(5000) or self.socket.recv(4)[3:4] != b"\0":
                raise OSError("the broker refused the connection")
            self.send(0x82, self.next_number() + text(prefix + b"down/#") + b"\1")
            self.say("status", {"online": True}, True)
            self.say_hello()
        except OSError:
            self.hang_up()

    def hang_up(self):
        if self.socket is not None:
            self.socket.close()  # no farewell: the broker tells the last will
            self.socket = None
        self.try_ms = self.uptime_ms() + 1000

    def send(self, kind, body):
        size, left = b"", len(body)
        while True:
            left, byte = left >> 7, left & 0x7F
            size += bytes([byte | 0x80 if left else byte])
            if not left:
                break
        data = bytes([kind]) + size + body
        while data:
            data = data[self.socket.send(data) :]
        self.said_ms = time.ticks_ms()

    def next_number(self):
        self.number = self.number % 65535 + 1
        return self.number.to_bytes(2, "big")

    def say(self, tail, fields, retain=False):
        topic = (self.prefix + "up/" + tail).encode()
        self.send(0x33 if retain else 0x32, text(topic) + self.next_number() + json.dumps(fields).encode())

    def listen(self):
        # Read what is there; a message that is too large is skipped. Each is acknowledged after it was looked at.
        if time.ticks_diff(time.ticks_ms(), self.said_ms) > KEEP_ALIVE_S * 500:
            self.send(0xC0, b"")
        if not self.poll.poll(20):
            return
        read = self.socket.recv(512)
        if not read:
            raise OSError("the broker has closed the connection")
        gone = min(self.skip, len(read))
        self.skip -= gone
        self.buffer += read[gone:]
        while True:
            size, at, shift = 0, 1, 0
            while at < len(self.buffer):
                size |= (self.buffer[at] & 0x7F) << shift
                at, shift = at + 1, shift + 7
                if not self.buffer[at - 1] & 0x80:
                    break
            else:
                return
            too_large = size > DOWN_BYTES + 256
            if len(self.buffer) < at + size and not (too_large and len(self.buffer) > at + 256):
                return
            kind, body = self.buffer[0], self.buffer[at : at + size]
            self.skip = max(0, at + size - len(self.buffer))
            self.buffer = self.buffer[at + size :]
            if kind & 0xF0 == 0x30:
                end = 2 + int.from_bytes(body[:2], "big")
                number = body[end : end + 2] if kind & 6 else b""
                payload = None if len(body) < size or size > DOWN_BYTES + end + 2 else body[end + len(number) :]
                self.arrived(str(body[2:end], "utf-8"), payload)
                if number:
                    self.send(0x40, number)

    # -- what it says and hears

    def say_hello(self):
        self.say("hello", {"boot": self.boot, "uptime_ms": self.uptime_ms(), "board": self.board, "kind": "probe",
                           "firmware": "example-micropython", "clock": "unset" if self.ahead_ms is None else "set",
                           "calibration": None}, True)  # fmt: skip

    def arrived(self, topic, payload):
        tail = topic[len(self.prefix) + 5 :]
        try:
            if payload is None:
                raise ValueError("larger than 8 KiB")
            body = json.loads(payload)
            if not isinstance(body, dict):
                raise ValueError("expected an object")
            if tail == "time":
                self.take_time(body)
            elif tail == "command":
                self.take_command(body)
        except OSError:
            raise
        except Exception as error:  # MemoryError and RuntimeError too: no message may end the program
            detail = "%s: %s" % (tail[:20], repr(error)[:80])
            self.say("fault", {"boot": self.boot, "at_ms": self.now_ms(), "uptime_ms": self.uptime_ms(),
                               "code": "message_refused", "detail": detail})  # fmt: skip

    def take_time(self, body):
        if not isinstance(body["now_ms"], int):
            raise ValueError("now_ms: expected a whole number")
        stale_ms = self.uptime_ms() - body["uptime_ms"]
        if self.ahead_ms is None and body["boot"] == self.boot and 0 <= stale_ms <= 5000:
            self.ahead_ms = body["now_ms"] - EPOCH_MS - time.time_ns() // 1000000
            self.say_hello()

    def take_command(self, body):
        command, end_ms, now_ms = body["id"], body.get("expires_at_ms"), self.now_ms()
        if not isinstance(command, str) or not 1 <= len(command) <= 64:
            raise ValueError("id: expected 1 to 64 characters")
        late = end_ms is not None and (now_ms is None or now_ms >= end_ms)
        known = body.get("do") == "restart" and not late and command not in self.done
        self.done = (self.done + [command])[-50:]
        detail = None if known else "unknown, repeated or expired"
        self.say("reply", {"id": command, "ok": known, "detail": detail, "result": None})
        self.restarting = self.restarting or known

    def pack(self, sampled_ms, values):
        # One sample as a SenML pack (RFC 8428).
        age_ms, now_ms = self.uptime_ms() - sampled_ms, self.now_ms()
        records = [{"n": one[0], "u": one[1], "v": one[2]} for one in values]
        if now_ms is None:  # no clock: times relative to sending, and what places them later
            records[0]["boot"] = self.boot
            records[0]["uptime_ms"] = self.uptime_ms()
        else:
            records[0]["bt"] = (now_ms - age_ms) // 1000
        for record in records:
            record["t"] = -age_ms / 1000 if now_ms is None else (now_ms - age_ms) % 1000 / 1000
        return records

    def run(self):
        # Until a restart was asked for.
        while not self.restarting:
            if self.uptime_ms() >= self.next_ms:
                self.next_ms = self.uptime_ms() + self.period_ms
                self.kept = (self.kept + [(self.uptime_ms(), measure())])[-KEPT:]
            if self.socket is None:
                if self.uptime_ms() >= self.try_ms:
                    self.connect()
                time.sleep_ms(20)
                continue
            try:
                self.listen()
                while self.kept:
                    self.say("samples", self.pack(*self.kept[0]))
                    self.kept.pop(0)
            except OSError:
                self.hang_up()
        try:
            for _ in range(5):  # so that the acknowledgement of the command goes out: else it would come again
                self.listen()
        except OSError:
            pass
        self.hang_up()


def run(device, host, port, period_s, clock=True):
    while True:
        Probe(device, host, port, period_s, clock).run()  # on a board: machine.reset() after it


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if word != "--no-clock"]
    run(words[0], words[1], int(words[2]), float(words[3]) if len(words) > 3 else 60, len(words) + 1 == len(sys.argv))
