"""A device that has nothing but its link, for live tests; runs under CPython and under MicroPython.

Arguments: the firmware's folder, and a JSON object of the link's settings with `device`. Tells everything as one JSON
object a line. Obeys `down/command`: `publish` (count, first) as doses, `busy` (ms; only holds meanwhile), `close`.
"""

import json
import sys
import time

sys.path.insert(0, sys.argv[1])

import link as firmware_link

PERIOD = 1 << 30


def ticks_ms():
    if hasattr(time, "ticks_ms"):
        return time.ticks_ms() % PERIOD
    return time.monotonic_ns() // 1000000 % PERIOD


class Owner:
    def __init__(self, settings):
        self.link = firmware_link.Link(
            settings, settings["device"], ticks_ms, PERIOD, self.on_up, self.on_down, self.on_fault
        )
        self.queue = []
        self.ended = False

    def tell(self, event, **fields):
        fields["event"] = event
        print(json.dumps(fields))

    def on_up(self):
        self.tell("up")
        self.link.publish("status", {"online": True}, True)

    def on_down(self):
        self.tell("down")
        self.link.publish("fault", {"code": "was_down"}, False, "was_down")

    def on_fault(self, code, detail):
        self.tell("fault", code=code, detail=detail)

    def hand_over(self, message):
        tail, payload, item = message
        came_ns = time.time_ns()
        fields = json.loads(b"".join(payload))
        self.link.acknowledge(item)
        self.tell("message", tail=tail, fields=fields, came_ns=came_ns)
        if tail == "command":
            self.obey(fields)

    def obey(self, fields):
        do = fields["do"]
        if do == "publish":
            self.queue += list(range(fields["first"], fields["first"] + fields["count"]))
        elif do == "busy":
            began = ticks_ms()
            self.tell("busy")
            while (ticks_ms() - began) % PERIOD < fields["ms"]:
                time.sleep(0.005)  # a chunk of steps
                self.link.pump()
                hold = self.link.take("hold")
                if hold:
                    self.hand_over(hold)
            self.tell("free")
        elif do == "close":
            self.link.close()
            self.ended = True

    def run(self):
        while not self.ended:
            self.link.poll(50)
            message = self.link.take()
            while message and not self.ended:
                self.hand_over(message)
                message = self.link.take()
            while self.queue and self.link.room():
                number = self.queue.pop(0)
                self.link.publish("dose", {"seq": number}, False, number)
            while self.link.delivered:
                self.tell("delivered", seq=self.link.delivered.pop(0))
        self.tell("end")


Owner(json.loads(sys.argv[2])).run()
