# The smallest feeder that keeps the contract, in plain MicroPython: sockets and a few lines of MQTT 3.1.1, no library.
#
#     micropython feeder_micropython.py feeder-3 192.0.2.10 1883 STATE_FILE
#
# On a board: connect the network first, then run(DEVICE, HOST, PORT, "state.json", Hardware()). `Hardware` is the seam:
# put your motor and your scale there; here it is simulated. Masses are whole micrograms and times whole milliseconds,
# since a board's floats hold seven digits.
#
# Left out on purpose (none of it is a safety rule): tare and calibrate, up/weight, the button, telling doses that are
# missed, learning the gain from the plan, TLS, a watchdog (add your board's, fed once per turn of the loop), and
# feeding without a clock: as long as nobody has told it the time, no meal is fed.

import json
import os
import random
import select
import socket
import sys
import time

GRACE_MS = 600000  # a meal later than this is not fed
DAY_MS = 86400000
APART_MS = 72000000  # the day's counter is never started anew twice within 20 hours
CEILING_UG = 5000000  # a day's ceiling of the feeder's own, above every plan
CHUNK = 20  # steps between two looks at the network: a hold stops a dose within one chunk
DOWN_BYTES = 8192
MOST_KEPT = 40  # doses that wait for the service; with more, nothing is fed
MOST_IDS = 200  # ids of meals and of commands that are remembered
KEEP_ALIVE_S = 30
EPOCH_MS = 946684800000 if time.gmtime(0)[0] == 2000 else 0


class Hardware:
    # A motor and a scale. This one is simulated: 60 g in the hopper, an auger as good as announced.
    gain_ug = 1000  # per step, by your calibration

    def __init__(self):
        self.hopper_ug = 60000000
        self.ahead_ms = 0  # of the board's clock; None: the clock is not set

    def turn(self, steps):
        self.hopper_ug -= steps * self.gain_ug

    def weigh(self):
        # The hopper's mass and its standard deviation in micrograms; None where there is no scale or no weight.
        return self.hopper_ug, 2000

    def now_ms(self):
        return None if self.ahead_ms is None else EPOCH_MS + time.time_ns() // 1000000 + self.ahead_ms


def text(raw):
    return len(raw).to_bytes(2, "big") + raw


class Mqtt:
    # One connection: QoS 1 both ways, a persistent session, a last will. Raises OSError when it is lost.

    def __init__(self, host, port, name, will_topic, will):
        self.socket = socket.socket()
        try:
            self.socket.connect(socket.getaddrinfo(host, port)[0][-1])
            head = text(b"MQTT") + bytes([4, 0x2C]) + KEEP_ALIVE_S.to_bytes(2, "big")  # last will: QoS 1, retained
            self.send(0x10, head + text(name) + text(will_topic) + text(will))
            self.poll = select.poll()
            self.poll.register(self.socket, select.POLLIN)
            self.buffer = b""
            self.skip = 0  # bytes of a message that is too large and still on its way
            self.number = 0
            self.said_ms = time.ticks_ms()
            if not self.poll.poll(5000) or self.socket.recv(4)[3:4] != b"\0":
                raise OSError("the broker refused the connection")
        except OSError:
            self.socket.close()
            raise

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

    def subscribe(self, topic):
        self.send(0x82, self.next_number() + text(topic) + b"\1")

    def publish(self, topic, payload, retain):
        self.send(0x33 if retain else 0x32, text(topic) + self.next_number() + payload)

    def step(self, wait_ms, arrived):
        # Read what is there; arrived(topic, payload or None where it was too large). Acknowledges after it returned.
        if time.ticks_diff(time.ticks_ms(), self.said_ms) > KEEP_ALIVE_S * 500:
            self.send(0xC0, b"")
        if not self.poll.poll(wait_ms):
            return
        read = self.socket.recv(512)
        if not read:
            raise OSError("the broker has closed the connection")
        if self.skip:
            gone = min(self.skip, len(read))
            self.skip -= gone
            read = read[gone:]
        self.buffer += read
        while True:
            size, at, shift = 0, 1, 0
            while at < len(self.buffer):
                size |= (self.buffer[at] & 0x7F) << shift
                at, shift = at + 1, shift + 7
                if not self.buffer[at - 1] & 0x80:
                    break
            else:
                return
            whole_message = len(self.buffer) >= at + size
            too_large = size > DOWN_BYTES + 256
            if not whole_message and not (too_large and len(self.buffer) > at + 256):
                return
            kind, body = self.buffer[0], self.buffer[at : at + size]
            self.skip = max(0, at + size - len(self.buffer))
            self.buffer = self.buffer[at + size :]
            if kind & 0xF0 == 0x30:
                end = 2 + int.from_bytes(body[:2], "big")
                number = body[end : end + 2] if kind & 6 else b""
                payload = None if len(body) < size or size > DOWN_BYTES + end + 2 else body[end + len(number) :]
                arrived(str(body[2:end], "utf-8"), payload)
                if number:
                    self.send(0x40, number)


def whole(value):
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**53:
        raise ValueError("expected a whole number")
    return value


def micrograms(value):
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not 0 <= value <= 1000:
        raise ValueError("expected 0 to 1000")
    return int(value * 1000000 + 0.5)


def name(value):
    if not isinstance(value, str) or not 1 <= len(value) <= 64:
        raise ValueError("expected a name")
    return value


class Feeder:
    def __init__(self, device, host, port, path, hardware):
        self.prefix = "tareline/" + device + "/"
        self.address = (host, port)
        self.path = path
        self.hardware = hardware
        self.board = "example-" + device  # better: your chip's own id
        self.boot = "%08x" % random.getrandbits(32)
        self.uptime = 0
        self.tick = time.ticks_ms()
        self.inbox = []
        self.told = set()  # doses that were sent over this connection
        self.link = None
        self.try_ms = 0
        self.restarting = False
        self.state = {"journal": "%08x%08x" % (random.getrandbits(32), random.getrandbits(32)), "seq": 0, "doses": [],
                      "open": None, "fed": [], "done": {}, "plan": None, "hold": None, "installation": None, "seen": [],
                      "day_ms": 0, "begun_ms": 0, "given_ug": 0, "mass_ug": None, "overs": 0, "stopped": None,
                      "stop_ends": False}  # fmt: skip
        try:
            with open(path) as file:
                self.state = json.load(file)  # what cannot be read ends the program here: then nothing is fed
        except OSError:
            self.save()  # a new flash
        if self.state["open"]:  # power went in the middle of a dose: its end is unknown, the cap counts all of it
            self.state["doses"].append(self.state["open"])
            self.state["open"] = None
            self.save()

    def save(self):
        # All or nothing: a power cut leaves the old state or the new one.
        with open(self.path + ".new", "w") as file:
            json.dump(self.state, file)
        if hasattr(os, "sync"):
            os.sync()
        os.rename(self.path + ".new", self.path)

    def uptime_ms(self):
        now = time.ticks_ms()
        self.uptime += time.ticks_diff(now, self.tick)
        self.tick = now
        return self.uptime

    # -- what it says

    def say(self, tail, fields, retain=False):
        if self.link is None:
            return
        try:
            self.link.publish((self.prefix + "up/" + tail).encode(), json.dumps(fields).encode(), retain)
        except OSError:
            self.hang_up()

    def fault(self, code, detail):
        self.say("fault", {"boot": self.boot, "at_ms": self.hardware.now_ms(), "uptime_ms": self.uptime_ms(),
                           "code": code, "detail": detail})  # fmt: skip

    def say_hello(self):
        doses = self.state["doses"]
        self.say("hello", {
            "boot": self.boot, "uptime_ms": self.uptime_ms(), "board": self.board, "journal": self.state["journal"],
            "kind": "feeder", "firmware": "example-micropython",
            "clock": "unset" if self.hardware.now_ms() is None else "set",
            "journal_from": doses[0]["seq"] if doses else self.state["seq"] + 1, "journal_to": self.state["seq"],
            "gain_g_per_step": self.hardware.gain_ug / 1000000, "calibration": None}, True)  # fmt: skip

    def say_applied(self):
        plan, hold = self.state["plan"] or {}, self.state["hold"] or {}
        self.say("applied", {"boot": self.boot, "plan_version": plan.get("version", 0),
                             "hold_version": hold.get("version", 0)}, True)  # fmt: skip

    def say_dose(self, dose):
        told = {key: value for key, value in dose.items() if key[-3:] != "_ug"}
        for key in ("target", "before", "after", "sd"):
            value = dose[key + "_ug"]
            told[key + "_g"] = None if value is None else value / 1000000
        self.say("dose", told)

    # -- what it hears

    def arrived(self, topic, payload):
        tail = topic[len(self.prefix) + 5 :]
        try:
            if payload is None:
                raise ValueError("larger than 8 KiB")
            body = json.loads(payload)
            if not isinstance(body, dict):
                raise ValueError("expected an object")
            if tail == "hold" and body.get("held") is True:
                self.inbox = [one for one in self.inbox if one[0] != "hold"]
                self.take_hold(body)  # at once, even in the middle of a dose
            elif len(self.inbox) < 50:
                self.inbox.append((tail, body))
        except Exception as error:  # MemoryError and RuntimeError too: no message may end the program
            self.fault("message_refused", "%s: %s" % (tail[:20], repr(error)[:80]))

    def take(self, tail, body):
        try:
            if tail == "plan":
                self.take_plan(body)
            elif tail == "hold":
                self.take_hold(body)
            elif tail == "received":
                self.take_received(body)
            elif tail == "time":
                self.take_time(body)
            elif tail == "command":
                self.take_command(body)
        except Exception as error:
            self.fault("message_refused", "%s: %s" % (tail, repr(error)[:80]))

    def take_plan(self, body):
        # Only known fields, each checked, so that nothing odd is ever stored.
        fallback = body.get("fallback")
        plan = {"version": whole(body["version"]), "issued_at_ms": whole(body["issued_at_ms"]),
                "days": [[whole(day["start_ms"]), micrograms(day["cap_g"])] for day in body["days"]],
                "meals": [[name(meal["id"]), whole(meal["at_ms"]), micrograms(meal["target_g"])]
                          for meal in body["meals"]],
                "fallback": fallback and [micrograms(fallback["daily_g"]), [whole(s) for s in fallback["at_utc_s"]],
                                          whole(fallback["until_ms"])]}  # fmt: skip
        if self.may_take(name(body["installation"]), plan, self.state["plan"]):
            self.state["plan"] = plan
            self.save()
            self.say_applied()

    def take_hold(self, body):
        if not isinstance(body["held"], bool):
            raise ValueError("held: expected true or false")
        share = body.get("reduce_to")
        share = 1 if share is None else share
        if not isinstance(share, (int, float)) or not 0 <= share <= 1:
            raise ValueError("reduce_to: expected 0 to 1")
        state = self.state
        hold = {"version": whole(body["version"]), "held": body["held"], "thousandths": int(share * 1000),
                "hopper_off": body.get("hopper_off") is True}  # fmt: skip
        before = state["hold"] or {"version": 0, "held": False}
        if self.may_take(name(body["installation"]), hold, state["hold"]):
            if hold["held"]:
                hold["version"] = max(hold["version"], before["version"])
                if not before["held"]:
                    state["stop_ends"] = state["stopped"] is not None
            elif state["stop_ends"]:  # a hold that began after the stop is released: a person has looked
                state["stopped"], state["stop_ends"], state["overs"] = None, False, 0
                state["seen"] = [state["installation"]]
            state["hold"] = hold
            self.save()
            self.say_applied()

    def may_take(self, installation, new, old):
        # A lower version is ignored, but for a hold; two installations that take turns stop feeding.
        state = self.state
        if installation != state["installation"]:
            if state["installation"] is not None:
                self.fault("other_installation", installation)
                if installation in state["seen"]:
                    self.stop("two_installations", "they take turns")
            state["seen"] = [one for one in state["seen"] if one != installation][-8:] + [installation]
            state["installation"] = installation
            return True
        return old is None or new["version"] > old["version"] or new.get("held") is True

    def take_received(self, body):
        # A number from the future must not make it forget doses to come.
        if body["journal"] == self.state["journal"] and whole(body["seq"]) <= self.state["seq"]:
            self.state["doses"] = [dose for dose in self.state["doses"] if dose["seq"] > body["seq"]]
            self.save()

    def take_time(self, body):
        stale_ms = self.uptime_ms() - whole(body["uptime_ms"])
        if self.hardware.now_ms() is None and body["boot"] == self.boot and 0 <= stale_ms <= 5000:
            self.hardware.ahead_ms = whole(body["now_ms"]) - EPOCH_MS - time.time_ns() // 1000000
            self.say_hello()

    def take_command(self, body):
        command, do, args = name(body["id"]), body.get("do"), body.get("args") or {}
        end_ms, ok, detail = body.get("expires_at_ms"), False, None
        target_ug = micrograms(args["target_g"]) if do == "dispense" else 0
        if do == "resend":
            for seq in range(whole(args["from"]), min(whole(args["to"]), self.state["seq"]) + 1):
                self.told.discard(seq)
            ok = True
        elif end_ms is not None and (self.hardware.now_ms() is None or self.hardware.now_ms() >= whole(end_ms)):
            detail = "expired, or the clock is not set"
        elif not self.may_act(command, end_ms):
            detail = "was obeyed before, or too many ids are remembered"
        elif do == "dispense":
            detail = self.dose(None, "command", target_ug)  # its id goes onto flash together with the intent
            ok = detail == "ok"
        elif do == "restart":
            self.save()
            self.restarting = ok = True
        else:
            detail = "unknown"
        self.say("reply", {"id": command, "ok": ok, "detail": detail, "result": None})

    def may_act(self, command, end_ms):
        # An id acts once. Ids that have expired are forgotten; with too many others no further command is obeyed.
        now_ms, done = self.hardware.now_ms() or 0, self.state["done"]
        for old in [old for old, old_ms in done.items() if old_ms is not None and old_ms < now_ms]:
            del done[old]
        if command in done or len(done) >= MOST_IDS:
            return False
        done[command] = end_ms
        return True

    # -- feeding

    def due(self):
        now_ms, plan = self.hardware.now_ms(), self.state["plan"]
        if now_ms is None or plan is None or not plan["days"]:
            return
        # A plan's meals are those of seven days: a day among these that has none is a day of fasting, by intention.
        last_ms = plan["days"][0][0] + 7 * DAY_MS
        for meal, at_ms, target_ug in plan["meals"]:
            last_ms = max(last_ms, at_ms)
            if self.is_due(meal, at_ms, now_ms):
                self.meal(meal, "plan", target_ug)
        if plan["fallback"] and last_ms < now_ms < plan["fallback"][2]:
            daily_ug, seconds, _ = plan["fallback"]
            for second in seconds:
                at_ms = now_ms // DAY_MS * DAY_MS + second * 1000
                meal = "fallback-%d" % (at_ms // 1000)
                if at_ms > last_ms and self.is_due(meal, at_ms, now_ms):
                    self.meal(meal, "fallback", daily_ug // len(seconds))

    def is_due(self, meal, at_ms, now_ms):
        return at_ms <= now_ms < at_ms + GRACE_MS and meal not in self.state["fed"]

    def meal(self, meal, cause, target_ug):
        self.state["fed"] = (self.state["fed"] + [meal])[-MOST_IDS:]
        self.dose(meal, cause, target_ug)

    def is_held(self):
        return bool(self.state["stopped"] or (self.state["hold"] and self.state["hold"]["held"]))

    def room_ug(self):
        # What the day's cap leaves. Begins a new day where one has begun and 20 hours have gone by.
        state, now_ms = self.state, self.hardware.now_ms()
        if state["plan"] is None or not state["plan"]["days"]:
            return 0
        day_ms, cap_ug = state["day_ms"], state["plan"]["days"][0][1]
        if now_ms is not None:
            for start_ms, day_cap_ug in state["plan"]["days"]:
                if start_ms <= now_ms:
                    day_ms, cap_ug = start_ms, day_cap_ug
            if day_ms == state["plan"]["days"][-1][0] < now_ms:
                day_ms += (now_ms - day_ms) // DAY_MS * DAY_MS  # beyond the listed days, each further 24 hours
            if day_ms > state["day_ms"] and now_ms - state["begun_ms"] >= APART_MS:
                state["day_ms"], state["begun_ms"], state["given_ug"] = day_ms, now_ms, 0
        return max(0, min(cap_ug, CEILING_UG) - state["given_ug"])

    def dose(self, meal, cause, asked_ug):
        # One dose: onto flash, then the motor, then its end onto flash, then onto the wire. Returns how it went.
        state, gain_ug = self.state, self.hardware.gain_ug
        if len(state["doses"]) >= MOST_KEPT:
            return "too many doses wait for the service"
        before = self.hardware.weigh()
        self.look_for_loss(before)
        if state["hold"]:
            asked_ug = asked_ug * state["hold"]["thousandths"] // 1000
        room_ug, held = self.room_ug(), self.is_held()
        target_ug = min(asked_ug, room_ug)
        steps = 0 if held else target_ug // gain_ug
        state["seq"] += 1
        dose = {"journal": state["journal"], "seq": state["seq"], "boot": self.boot, "at_ms": self.hardware.now_ms(),
                "uptime_ms": self.uptime_ms(), "meal": meal, "cause": cause,
                "target_ug": asked_ug if held else target_ug, "steps": steps, "before_ug": None, "after_ug": None,
                "sd_ug": None, "temperature_c": None, "outcome": "interrupted"}  # fmt: skip
        if steps:
            state["given_ug"] += target_ug
            state["open"], state["mass_ug"] = dose, None
            self.save()
            made = self.move(steps)
            after = self.hardware.weigh()
            dose["steps"] = made
            if made == steps:
                dose["outcome"] = "capped" if asked_ug > room_ug else "ok"
            if before and after:
                sd_ug = int((before[1] ** 2 + after[1] ** 2) ** 0.5)
                dose["before_ug"], dose["after_ug"], dose["sd_ug"] = before[0], after[0], sd_ug
                sure_ug = before[0] - after[0] - 4 * sd_ug  # what left beyond doubt counts, if it is the largest
                state["given_ug"] += max(0, sure_ug - target_ug)
                over = 4 * sure_ug > 5 * steps * gain_ug
                state["overs"] = state["overs"] + 1 if over else 0
                dose["outcome"] = "over" if over else dose["outcome"]
            state["mass_ug"] = after and after[0]
            state["open"] = None
        else:
            dose["outcome"] = "held" if held else "capped"
        state["doses"].append(dose)
        self.save()
        if state["overs"] >= 2:
            self.stop("stopped_over", "two doses in a row gave far too much")
        return dose["outcome"]

    def move(self, steps):
        # Turn in chunks, and look for a hold after each. Returns the steps made.
        made = 0
        while made < steps and not self.is_held():
            chunk = min(CHUNK, steps - made)
            self.hardware.turn(chunk)
            made += chunk
            self.listen(0)
        return made

    def look_for_loss(self, now):
        # Food that left without steps counts as given, and stops feeding.
        state = self.state
        before_ug = None if state["hold"] and state["hold"]["hopper_off"] else state["mass_ug"]
        if now and before_ug is not None:
            lost_ug = before_ug - now[0] - 6 * now[1]
            if lost_ug > 0:
                state["given_ug"] += lost_ug
                self.stop("stopped_loss", "%d ug left without a step" % lost_ug)
        state["mass_ug"] = now[0] if now else None

    def stop(self, code, why):
        # Feed nothing more until a hold that comes after this is released.
        if self.state["stopped"] is None:
            self.state["stopped"], self.state["stop_ends"] = code, False
            self.save()
            self.fault(code, why)

    # -- the one loop

    def hang_up(self):
        if self.link is not None:
            self.link.socket.close()  # no farewell: the broker tells the last will
            self.link = None
        self.try_ms = self.uptime_ms() + 1000

    def connect(self):
        prefix = self.prefix.encode()
        try:
            self.link = Mqtt(self.address[0], self.address[1], prefix, prefix + b"up/status", b'{"online": false}')
            self.link.subscribe(prefix + b"down/#")
        except OSError:
            self.hang_up()
            return
        self.say("status", {"online": True}, True)
        self.say_hello()
        self.say_applied()
        self.told = set()
        if self.state["stopped"]:
            self.fault(self.state["stopped"], "still in force")

    def listen(self, wait_ms):
        try:
            if self.link is not None:
                self.link.step(wait_ms, self.arrived)
            else:
                time.sleep_ms(wait_ms)
        except OSError:
            self.hang_up()

    def run(self):
        # Until a restart was asked for.
        while not self.restarting:
            if self.link is None and self.uptime_ms() >= self.try_ms:
                self.connect()
            self.listen(20)
            while self.inbox:
                tail, body = self.inbox.pop(0)
                self.take(tail, body)
            self.due()
            for dose in self.state["doses"]:
                if self.link is not None and dose["seq"] not in self.told:
                    self.told.add(dose["seq"])
                    self.say_dose(dose)
        self.listen(100)
        self.hang_up()


def run(device, host, port, path, hardware):
    while True:
        Feeder(device, host, port, path, hardware).run()  # on a board: machine.reset() after it


if __name__ == "__main__":
    run(sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4], Hardware())
