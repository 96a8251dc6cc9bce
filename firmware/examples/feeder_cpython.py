"""The smallest feeder that keeps the contract, in CPython with paho-mqtt.

    python feeder_cpython.py feeder-2 127.0.0.1 1883 ./feeder-2

The folder is its flash; a kill is a power cut. `Hardware` is the seam: put your motor and your scale there. Here it is
simulated, so that the file runs anywhere.

Left out on purpose (none of it is a safety rule): `tare` and `calibrate`, `up/weight`, the button, telling doses that
are `missed`, learning the gain from the plan (the feeder keeps its own), and feeding without a clock: a feeder whose
clock is not set feeds no meal at all until somebody has told it the time.
"""

import contextlib
import json
import os
import random
import sys
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

GRACE_MS = 10 * 60_000  # a meal later than this is not fed
DAY_MS = 86_400_000
APART_MS = 20 * 3_600_000  # the day's counter is never started anew twice within this time
CEILING_G = 5.0  # a day's ceiling of the feeder's own, above every plan
CHUNK = 20  # steps between two looks at the network: a hold stops a dose within one chunk
DOWN_BYTES = 8192
MOST_KEPT = 200  # doses that wait for the service; with more, nothing is fed
MOST_IDS = 300  # ids of meals and of commands that are remembered
NEW = {
    "journal": "", "seq": 0, "doses": [], "open": None, "fed": [], "done": {}, "plan": None, "hold": None,
    "installation": None, "seen": [], "day_ms": 0, "begun_ms": 0, "given_g": 0.0, "mass_g": None, "overs": 0,
    "stopped": None, "stop_ends": False,
}  # fmt: skip


class Hardware:
    """A motor and a scale. This one is simulated: 60 g in the hopper, an auger as good as announced."""

    gain_g_per_step = 0.001  # what your calibration found

    def __init__(self) -> None:
        self.hopper_g = 60.0
        self.ahead_ms: int | None = 0  # of the host's clock; None: the clock is not set

    def turn(self, steps: int) -> None:
        """Turn the auger. A real motor needs time for it."""
        self.hopper_g -= steps * self.gain_g_per_step

    def weigh(self) -> tuple[float, float] | None:
        """The hopper's mass and its standard deviation, in g; None where there is no scale or it gives no weight."""
        return self.hopper_g, 0.002

    def now_ms(self) -> int | None:
        return None if self.ahead_ms is None else time.time_ns() // 1_000_000 + self.ahead_ms


class Feeder:
    def __init__(self, device: str, host: str, port: int, flash: Path, hardware: Hardware, root: str = "tareline"):
        self.prefix = f"{root}/{device}/"
        self.broker = (host, port)
        self.hardware = hardware
        self.flash = flash
        flash.mkdir(parents=True, exist_ok=True)
        path = flash / "state.json"
        self.state: dict[str, Any] = {
            **json.loads(json.dumps(NEW)),
            **(json.loads(path.read_text()) if path.exists() else {}),
        }
        if not self.state["journal"]:
            self.state["journal"] = f"{random.getrandbits(64):016x}"
            self.save()
        self.board = f"example-{device}"
        self.boot = f"{random.getrandbits(64):016x}"
        self.started = time.monotonic()
        self.inbox: list[tuple[str, Any]] = []
        self.told: set[int] = set()  # doses that were sent over this connection
        self.restarting = False
        if self.state["open"]:  # power went in the middle of a dose: its end is unknown, and the cap counts all of it
            self.state["doses"].append(self.state["open"])
            self.state["open"] = None
            self.save()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, self.prefix, clean_session=False, protocol=mqtt.MQTTv311)
        self.client.will_set(f"{self.prefix}up/status", json.dumps({"online": False}), 1, retain=True)
        self.client.on_connect = self.connected
        self.client.on_message = self.arrived

    def save(self) -> None:
        """All or nothing: a power cut leaves the old state or the new one."""
        fresh = self.flash / "state.new"
        with fresh.open("w") as file:
            json.dump(self.state, file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, self.flash / "state.json")

    # -- what it says

    def uptime_ms(self) -> int:
        return int((time.monotonic() - self.started) * 1000)

    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        self.client.publish(f"{self.prefix}up/{tail}", json.dumps(fields), 1, retain)

    def stamp(self) -> dict[str, Any]:
        return {"boot": self.boot, "at_ms": self.hardware.now_ms(), "uptime_ms": self.uptime_ms()}

    def fault(self, code: str, detail: str) -> None:
        self.say("fault", **self.stamp(), code=code, detail=detail)

    def connected(self, *_: Any) -> None:
        self.client.subscribe(f"{self.prefix}down/#", 1)
        self.say("status", retain=True, online=True)
        self.say_hello()
        self.say_applied()
        self.told.clear()

    def say_hello(self) -> None:
        kept = [dose["seq"] for dose in self.state["doses"]]
        self.say(
            "hello", retain=True, boot=self.boot, uptime_ms=self.uptime_ms(), board=self.board,
            journal=self.state["journal"], kind="feeder", firmware="example-cpython",
            clock="unset" if self.hardware.now_ms() is None else "set",
            journal_from=kept[0] if kept else self.state["seq"] + 1,
            journal_to=self.state["seq"], gain_g_per_step=self.hardware.gain_g_per_step, calibration=None,
        )  # fmt: skip

    def say_applied(self) -> None:
        plan, hold = self.state["plan"] or {}, self.state["hold"] or {}
        self.say(
            "applied", retain=True, boot=self.boot, plan_version=plan.get("version", 0),
            hold_version=hold.get("version", 0),
        )  # fmt: skip

    # -- what it hears

    def arrived(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        """Note it. paho acknowledges after the return, whatever the message was: it cannot come a second time."""
        tail = message.topic.removeprefix(f"{self.prefix}down/")
        try:
            if len(message.payload) > DOWN_BYTES:
                raise ValueError("larger than 8 KiB")
            body = json.loads(message.payload)
            if not isinstance(body, dict):
                raise ValueError("expected an object")
            if tail == "hold" and body.get("held") is True:
                self.inbox = [(kind, said) for kind, said in self.inbox if kind != "hold"]
                self.take_hold(body)  # at once, even in the middle of a dose
            else:
                self.inbox.append((tail, body))
        except Exception as error:  # RecursionError and MemoryError too
            self.fault("message_refused", f"{tail}: {error!r:.80}")

    def take(self, tail: str, body: dict[str, Any]) -> None:
        try:
            if tail in ("plan", "hold", "received", "time", "command"):
                getattr(self, f"take_{tail}")(body)
        except Exception as error:
            self.fault("message_refused", f"{tail}: {error!r:.80}")

    def take_plan(self, body: dict[str, Any]) -> None:
        """Only known fields, each checked, so that nothing odd is ever stored."""
        fallback = body.get("fallback")
        plan = {
            "version": whole(body["version"]),
            "issued_at_ms": whole(body["issued_at_ms"]),
            "days": [{"start_ms": whole(day["start_ms"]), "cap_g": mass(day["cap_g"])} for day in body["days"]],
            "meals": [
                {"id": name(meal["id"]), "at_ms": whole(meal["at_ms"]), "target_g": mass(meal["target_g"])}
                for meal in body["meals"]
            ],
            "fallback": fallback
            and {
                "daily_g": mass(fallback["daily_g"]),
                "at_utc_s": [whole(second) for second in fallback["at_utc_s"]],
                "until_ms": whole(fallback["until_ms"]),
            },
        }
        if self.may_take(name(body["installation"]), plan, self.state["plan"]):
            self.state["plan"] = plan
            self.save()
            self.say_applied()

    def take_hold(self, body: dict[str, Any]) -> None:
        if not isinstance(body["held"], bool):
            raise ValueError("held: expected true or false")
        share = body.get("reduce_to")
        share = 1.0 if share is None else mass(share)
        if share > 1:
            raise ValueError("reduce_to: expected 0 to 1")
        off = body.get("hopper_off") is True  # a person has taken the hopper off: what is missing was not lost
        hold = {"version": whole(body["version"]), "held": body["held"], "reduce_to": share, "hopper_off": off}
        before = self.state["hold"] or {"version": 0, "held": False}
        if self.may_take(name(body["installation"]), hold, self.state["hold"]):
            if hold["held"]:
                hold["version"] = max(hold["version"], before["version"])
                if not before["held"]:
                    self.state["stop_ends"] = self.state["stopped"] is not None
            elif self.state["stop_ends"]:  # a hold that began after the stop is released: a person has looked
                self.state.update(stopped=None, stop_ends=False, overs=0, seen=[self.state["installation"]])
            self.state["hold"] = hold
            self.save()
            self.say_applied()

    def may_take(self, installation: str, new: dict[str, Any], old: dict[str, Any] | None) -> bool:
        """A lower version is ignored, but for a hold; two installations that take turns stop feeding."""
        state = self.state
        if installation != state["installation"]:
            if state["installation"] is not None:
                self.fault("other_installation", f"{installation} after {state['installation']}")
                if installation in state["seen"]:
                    self.stop("two_installations", "they take turns")
            state["seen"] = [one for one in state["seen"] if one != installation][-8:] + [installation]
            state["installation"] = installation
            return True
        return old is None or new["version"] > old["version"] or new.get("held") is True

    def take_received(self, body: dict[str, Any]) -> None:
        # Capped by what exists: a number from the future must not make it forget doses to come.
        if body["journal"] == self.state["journal"] and whole(body["seq"]) <= self.state["seq"]:
            self.state["doses"] = [dose for dose in self.state["doses"] if dose["seq"] > body["seq"]]
            self.save()

    def take_time(self, body: dict[str, Any]) -> None:
        stale_ms = self.uptime_ms() - whole(body["uptime_ms"])
        if self.hardware.now_ms() is None and body["boot"] == self.boot and 0 <= stale_ms <= 5000:
            self.hardware.ahead_ms = whole(body["now_ms"]) - time.time_ns() // 1_000_000
            self.say_hello()

    def take_command(self, body: dict[str, Any]) -> None:
        command, do, args = name(body["id"]), body.get("do"), body.get("args") or {}
        answer: dict[str, Any] = {"ok": False, "detail": None, "result": None}
        target_g = mass(args["target_g"]) if do == "dispense" else 0.0
        if do == "resend":
            first, last = whole(args["from"]), whole(args["to"])
            self.told -= set(range(first, min(last, self.state["seq"]) + 1))
            answer["ok"] = True
        elif self.is_late(body.get("expires_at_ms")):
            answer["detail"] = "expired, or the clock is not set"
        elif not self.may_act(command, body.get("expires_at_ms")):
            answer["detail"] = "was obeyed before, or too many ids are remembered"
        elif do == "dispense":
            answer["detail"] = self.dose(None, "command", target_g)  # its id goes onto flash together with the intent
            answer["ok"] = answer["detail"] == "ok"
        elif do == "restart":
            self.save()
            self.restarting = answer["ok"] = True
        else:
            answer["detail"] = f"unknown: {do!r:.40}"
        self.say("reply", id=command, **answer)

    def may_act(self, command: str, expires_at_ms: int | None) -> bool:
        """An id acts once. Ids that have expired are forgotten; with too many others no further command is obeyed."""
        now_ms, done = self.hardware.now_ms() or 0, self.state["done"]
        for old in [old for old, end_ms in done.items() if end_ms is not None and end_ms < now_ms]:
            del done[old]
        if command in done or len(done) >= MOST_IDS:
            return False
        done[command] = expires_at_ms
        return True

    def is_late(self, expires_at_ms: Any) -> bool:
        """A device without a clock ignores commands that expire."""
        now_ms = self.hardware.now_ms()
        return expires_at_ms is not None and (now_ms is None or now_ms >= whole(expires_at_ms))

    # -- feeding

    def due(self) -> None:
        """Feed what is due: the plan's meals, then the fallback's."""
        now_ms, plan = self.hardware.now_ms(), self.state["plan"]
        if now_ms is None or plan is None or not plan["days"]:
            return
        for meal in plan["meals"]:
            if self.is_due(meal["id"], meal["at_ms"], now_ms):
                self.meal(meal["id"], "plan", meal["target_g"])
        # A plan's meals are those of seven days: a day among these that has none is a day of fasting, by intention.
        last_ms = max([plan["days"][0]["start_ms"] + 7 * DAY_MS] + [meal["at_ms"] for meal in plan["meals"]])
        fallback = plan["fallback"]
        if not fallback or now_ms <= last_ms or now_ms >= self.fallback_end_ms(fallback):
            return
        for second in fallback["at_utc_s"]:
            at_ms = now_ms // DAY_MS * DAY_MS + second * 1000
            if at_ms > last_ms and self.is_due(f"fallback-{at_ms // 1000}", at_ms, now_ms):
                share_g = fallback["daily_g"] / len(fallback["at_utc_s"])
                self.meal(f"fallback-{at_ms // 1000}", "fallback", share_g)

    def fallback_end_ms(self, fallback: dict[str, Any]) -> int:
        end_ms: int = fallback["until_ms"]
        return end_ms

    def is_due(self, meal: str, at_ms: int, now_ms: int) -> bool:
        return at_ms <= now_ms < at_ms + GRACE_MS and meal not in self.state["fed"]

    def meal(self, meal: str, cause: str, target_g: float) -> None:
        self.state["fed"] = [*self.state["fed"], meal][-MOST_IDS:]
        self.dose(meal, cause, target_g)

    def is_held(self) -> bool:
        """Without a hold message it is not held, but without a plan nothing has a cap either."""
        return bool(self.state["stopped"] or (self.state["hold"] and self.state["hold"]["held"]))

    def reduced(self, target_g: float) -> float:
        return target_g * (self.state["hold"] or {"reduce_to": 1.0})["reduce_to"]

    def room_g(self) -> float:
        """What the day's cap leaves. Begins a new day where one has begun and 20 hours have gone by."""
        state, now_ms = self.state, self.hardware.now_ms()
        if state["plan"] is None or not state["plan"]["days"]:
            return 0.0
        cap_g, day_ms = state["plan"]["days"][0]["cap_g"], state["day_ms"]
        for day in state["plan"]["days"]:
            if now_ms is not None and day["start_ms"] <= now_ms:
                cap_g, day_ms = day["cap_g"], day["start_ms"]
        if now_ms is not None:
            if day_ms == state["plan"]["days"][-1]["start_ms"] < now_ms:
                day_ms += (now_ms - day_ms) // DAY_MS * DAY_MS  # beyond the listed days, each further 24 hours
            if day_ms > state["day_ms"] and now_ms - state["begun_ms"] >= APART_MS:
                state.update(day_ms=day_ms, begun_ms=now_ms, given_g=0.0)
        return max(0.0, min(cap_g, CEILING_G) - state["given_g"])

    def dose(self, meal: str | None, cause: str, asked_g: float) -> str:
        """One dose: onto flash, then the motor, then its end onto flash, then onto the wire. Returns how it went."""
        state, gain = self.state, self.hardware.gain_g_per_step
        if len(state["doses"]) >= MOST_KEPT:
            return "too many doses wait for the service"
        before = self.hardware.weigh()
        self.look_for_loss(before)
        asked_g = self.reduced(asked_g)
        room_g = self.room_g()
        held, capped = self.is_held(), asked_g > room_g
        target_g = min(asked_g, room_g)
        steps = 0 if held else int(target_g / gain + 1e-6)
        state["seq"] += 1
        dose = {
            "journal": state["journal"], "seq": state["seq"], **self.stamp(), "meal": meal, "cause": cause,
            "target_g": round(asked_g if held else target_g, 6), "steps": steps, "before_g": None, "after_g": None,
            "sd_g": None, "temperature_c": None, "outcome": "interrupted",
        }  # fmt: skip
        if steps:
            counted_g = max(target_g, steps * gain)
            state["given_g"] += counted_g
            state["open"] = dose
            state["mass_g"] = None
            self.save()
            made = self.move(steps)
            after = self.hardware.weigh()
            dose.update(steps=made, outcome="interrupted" if made < steps else "capped" if capped else "ok")
            if before and after:
                sd_g = (before[1] ** 2 + after[1] ** 2) ** 0.5
                dose.update(before_g=before[0], after_g=after[0], sd_g=sd_g)
                sure_g = before[0] - after[0] - 4 * sd_g  # what left beyond doubt counts, if it is the largest
                state["given_g"] += max(0.0, sure_g - counted_g)
                over = sure_g > 1.25 * steps * gain
                state["overs"] = state["overs"] + 1 if over else 0
                dose["outcome"] = "over" if over else dose["outcome"]
            state["mass_g"] = after and after[0]
            state["open"] = None
        else:
            dose["outcome"] = "held" if held else "capped"
        state["doses"].append(dose)
        self.save()
        if state["overs"] >= 2:
            self.stop("stopped_over", "two doses in a row gave far too much")
        return str(dose["outcome"])

    def move(self, steps: int) -> int:
        """Turn in chunks, and look for a hold after each. Returns the steps made."""
        made = 0
        while made < steps and not self.is_held():
            chunk = min(CHUNK, steps - made)
            self.hardware.turn(chunk)
            made += chunk
            self.client.loop(0)
        return made

    def look_for_loss(self, now: tuple[float, float] | None) -> None:
        """Food that left without steps counts as given, and stops feeding."""
        before_g = None if (self.state["hold"] or {}).get("hopper_off") else self.state["mass_g"]
        if now and before_g is not None:
            lost_g = before_g - now[0] - 4 * 1.5 * now[1]
            if lost_g > 0:
                self.state["given_g"] += lost_g
                self.stop("stopped_loss", f"{lost_g:.3f} g left without a step")
        self.state["mass_g"] = now[0] if now else None

    def stop(self, code: str, why: str) -> None:
        """Feed nothing more until a hold that comes after this is released."""
        if self.state["stopped"] is None:
            self.state.update(stopped=code, stop_ends=False)
            self.save()
            self.fault(code, why)

    # -- the one loop

    def run_once(self) -> None:
        """Network, then messages, then meals, then doses onto the wire."""
        if self.client.loop(0.02) != mqtt.MQTT_ERR_SUCCESS:
            try:
                self.client.reconnect()
            except OSError:
                time.sleep(0.2)  # the broker is away; meals are fed all the same
        while self.inbox:
            self.take(*self.inbox.pop(0))
        self.due()
        if self.client.is_connected():
            for dose in self.state["doses"]:
                if dose["seq"] not in self.told:
                    self.told.add(dose["seq"])
                    self.say("dose", **dose)

    def run(self, ended: Any = lambda: False) -> None:
        """Until ended, or until a restart was asked for."""
        self.client.connect_async(*self.broker, keepalive=30)
        with contextlib.suppress(OSError):
            self.client.reconnect()
        if self.state["stopped"]:
            self.fault(self.state["stopped"], "still in force after the start")
        while not ended() and not self.restarting:
            self.run_once()
        for _ in range(5):
            self.client.loop(0.02)  # the answer to the restart
        if self.client.socket() is not None:
            self.client.socket().close()  # no farewell: the broker tells the last will


def whole(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**53:
        raise ValueError(f"expected a whole number, found {value!r:.40}")
    return value


def mass(value: Any) -> float:
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not 0 <= value <= 10_000:
        raise ValueError(f"expected 0 to 10 000, found {value!r:.40}")
    return float(value)


def name(value: Any) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= 64:
        raise ValueError(f"expected a name, found {value!r:.40}")
    return value


def run(device: str, host: str, port: int, flash: str, hardware: Hardware, clock: bool = True) -> None:
    """Start again after each restart, for ever. clock: whether the clock outlasts a restart."""
    while True:
        if not clock:
            hardware.ahead_ms = None
        Feeder(device, host, port, Path(flash), hardware).run()


if __name__ == "__main__":
    run(sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4], Hardware(), "--no-clock" not in sys.argv)
