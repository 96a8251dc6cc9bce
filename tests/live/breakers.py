"""Devices that each break one rule of the contract on purpose: the examples in CPython, with one part replaced."""

import importlib.util
from pathlib import Path
from types import ModuleType
from typing import Any

EXAMPLES = Path(__file__).parents[2] / "firmware" / "examples"


def load(name: str) -> ModuleType:
    """An example as a module; it imports nothing of this project."""
    spec = importlib.util.spec_from_file_location(name, EXAMPLES / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


feeder_example = load("feeder_cpython")
probe_example = load("probe_cpython")
Feeder: Any = feeder_example.Feeder
Probe: Any = probe_example.Probe


class PowerGone(BaseException):
    """What no `except Exception` stops: a crash of the program."""


# -- feeders that break one rule each; the name of the rule is the key below


class HelloNotKept(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        super().say(tail, retain and tail != "hello", **fields)


class HelloWithoutBoard(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        super().say(tail, retain, **{key: value for key, value in fields.items() if (tail, key) != ("hello", "board")})


class SameBoot(Feeder):
    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.started -= 3600


class AppliedOfAnotherBoot(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        super().say(tail, retain, **(fields | {"boot": "before"} if tail == "applied" else fields))


class AppliedWithoutHold(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        super().say(tail, retain, **(fields | {"hold_version": 0} if tail == "applied" else fields))


class NeverOnline(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        super().say(tail, retain, **({"online": False} if tail == "status" else fields))


class WeakDoses(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        if tail == "dose":
            self.client.publish(f"{self.prefix}up/dose", feeder_example.json.dumps(fields), 0)
        else:
            super().say(tail, retain, **fields)


class DoseWithoutUptime(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        if tail == "dose":
            fields["uptime_ms"] = None
        super().say(tail, retain, **fields)


class DoseToldAnew(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        super().say(tail, retain, **(fields | {"uptime_ms": self.uptime_ms()} if tail == "dose" else fields))


class DoseInSeconds(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        if tail == "dose":
            fields["at_ms"] = 1_600_000_000_000
        super().say(tail, retain, **fields)


class SilentToTheUnknown(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        if not (tail == "reply" and str(fields["detail"]).startswith("unknown")):
            super().say(tail, retain, **fields)


class NoRestart(Feeder):
    def take_command(self, body: dict[str, Any]) -> None:
        super().take_command(body)
        self.restarting = False


class ObeysLate(Feeder):
    def is_late(self, expires_at_ms: Any) -> bool:
        return self.hardware.now_ms() is None and super().is_late(expires_at_ms)


class ObeysBlind(Feeder):
    def is_late(self, expires_at_ms: Any) -> bool:
        return self.hardware.now_ms() is not None and super().is_late(expires_at_ms)


class ObeysTwice(Feeder):
    def may_act(self, command: str, expires_at_ms: int | None) -> bool:
        return True


class ObeysTwiceAfterARestart(Feeder):
    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.state["done"] = {}


class CrashesAtAnOddHold(Feeder):
    def take_hold(self, body: dict[str, Any]) -> None:
        if not isinstance(body.get("held"), bool):
            raise PowerGone
        super().take_hold(body)


class CrashesAtDepth(Feeder):
    def arrived(self, client: Any, data: Any, message: Any) -> None:
        if message.payload.startswith(b"[" * 50):
            self.deep = True
        super().arrived(client, data, message)

    def run_once(self) -> None:
        super().run_once()
        if getattr(self, "deep", False):
            raise PowerGone


class CrashesAtSize(Feeder):
    def run_once(self) -> None:
        super().run_once()
        if getattr(self, "large", False):
            raise PowerGone

    def arrived(self, client: Any, data: Any, message: Any) -> None:
        self.large = len(message.payload) > 8192
        super().arrived(client, data, message)


class RefusesInSilence(Feeder):
    def fault(self, code: str, detail: str) -> None:
        if code != "message_refused":
            super().fault(code, detail)


class DoesNotAcknowledge(Feeder):
    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.client.manual_ack_set(True)

    def arrived(self, client: Any, data: Any, message: Any) -> None:
        super().arrived(client, data, message)
        if not message.payload.startswith(b"[["):
            self.client.ack(message.mid, message.qos)


class TakesHalfAPlan(Feeder):
    def take_plan(self, body: dict[str, Any]) -> None:
        meals = [meal for meal in body["meals"] if isinstance(meal, dict) and isinstance(meal["id"], str)]
        super().take_plan({**body, "meals": meals})


class KnowsAllFields(Feeder):
    def take_plan(self, body: dict[str, Any]) -> None:
        if "colour" in body:
            raise ValueError("colour")
        super().take_plan(body)


class BelievesOldTime(Feeder):
    def take_time(self, body: dict[str, Any]) -> None:
        super().take_time(body | {"boot": self.boot, "uptime_ms": self.uptime_ms()})


class FeedsWithoutAPlan(Feeder):
    def room_g(self) -> float:
        return super().room_g() if self.state["plan"] else 1.0


class TakesOlderPlans(Feeder):
    def may_take(self, installation: str, new: dict[str, Any], old: dict[str, Any] | None) -> bool:
        return super().may_take(installation, new, None if "meals" in new else old)


class TakesOlderReleases(Feeder):
    def may_take(self, installation: str, new: dict[str, Any], old: dict[str, Any] | None) -> bool:
        return super().may_take(installation, new, None if new.get("held") is False else old)


class IgnoresOlderHolds(Feeder):
    def take_hold(self, body: dict[str, Any]) -> None:
        hold = self.state["hold"]
        if not hold or body.get("version", 0) > hold["version"] or not isinstance(body.get("held"), bool):
            super().take_hold(body)


class MovesWhileHeld(Feeder):
    def is_held(self) -> bool:
        return self.state["stopped"] is not None


class MealsMoveWhileHeld(Feeder):
    eating = False

    def meal(self, meal: str, cause: str, target_g: float) -> None:
        self.eating = True
        super().meal(meal, cause, target_g)
        self.eating = False

    def is_held(self) -> bool:
        return super().is_held() and not self.eating


class ForgetsTheHold(Feeder):
    """It keeps no hold over a restart, and takes no older one that the broker kept."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        if self.state["hold"]:
            self.state["hold"]["held"] = False

    def take_hold(self, body: dict[str, Any]) -> None:
        if (
            self.uptime_ms() > 1000
            or self.state["hold"] is None
            or body.get("version") != self.state["hold"]["version"]
        ):
            super().take_hold(body)


class ReducesNothing(Feeder):
    def reduced(self, target_g: float) -> float:
        return target_g


class TakesTurns(Feeder):
    def stop(self, code: str, why: str) -> None:
        if code != "two_installations":
            super().stop(code, why)


class FeedsAMealTwice(Feeder):
    def take_plan(self, body: dict[str, Any]) -> None:
        super().take_plan(body)
        self.state["fed"] = []


class FeedsThePast(Feeder):
    def is_due(self, meal: str, at_ms: int, now_ms: int) -> bool:
        return at_ms <= now_ms and meal not in self.state["fed"]


class NoCap(Feeder):
    def room_g(self) -> float:
        return 1000.0 if self.state["plan"] else 0.0


class NoCapForMeals(Feeder):
    def dose(self, meal: str | None, cause: str, asked_g: float) -> Any:
        given_g = self.state["given_g"]
        if meal:
            self.state["given_g"] = 0.0
        told = super().dose(meal, cause, asked_g)
        if meal:
            self.state["given_g"] += given_g
        return told


class CapForgottenAtStart(Feeder):
    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.state["given_g"] = 0.0


class NoFallback(Feeder):
    def fallback_end_ms(self, fallback: dict[str, Any]) -> int:
        return 0


class FallbackForEver(Feeder):
    def fallback_end_ms(self, fallback: dict[str, Any]) -> int:
        return 2**53


class SkipsNumbers(Feeder):
    def dose(self, meal: str | None, cause: str, asked_g: float) -> Any:
        self.state["seq"] += 1
        return super().dose(meal, cause, asked_g)


class ResendsNothing(Feeder):
    told: set[int]

    def take_command(self, body: dict[str, Any]) -> None:
        told = set(self.told)
        super().take_command(body)
        if body.get("do") == "resend":
            self.told = told


class NeverRepeats(Feeder):
    def connected(self, *args: Any) -> None:
        super().connected(*args)
        self.told = {dose["seq"] for dose in self.state["doses"]}


class ForgetsNothing(Feeder):
    def take_received(self, body: dict[str, Any]) -> None:
        pass


class BelievesAnyJournal(Feeder):
    def take_received(self, body: dict[str, Any]) -> None:
        self.state["doses"] = [dose for dose in self.state["doses"] if dose["seq"] > body["seq"]]


class BelievesTheFuture(Feeder):
    def take_received(self, body: dict[str, Any]) -> None:
        super().take_received(body)
        if body["journal"] == self.state["journal"]:
            self.state["up_to"] = max(body["seq"], self.state.get("up_to", 0))

    def run_once(self) -> None:
        super().run_once()
        self.state["doses"] = [dose for dose in self.state["doses"] if dose["seq"] > self.state.get("up_to", 0)]


class WrongUnit(Probe):
    def pack(self, *args: Any) -> Any:
        return [{**record, "u": "C" if record["u"] == "Cel" else record["u"]} for record in super().pack(*args)]


class HalfSeconds(Probe):
    def pack(self, *args: Any) -> Any:
        return [{**record, **({"bt": record["bt"] + 0.5} if "bt" in record else {})} for record in super().pack(*args)]


class NoNames(Probe):
    def pack(self, *args: Any) -> Any:
        return [{**record, "n": f"the {record['n']}"} for record in super().pack(*args)]


MUTANTS: dict[type, str] = {
    HelloNotKept: "retained",
    HelloWithoutBoard: "hello",
    SameBoot: "boot",
    AppliedOfAnotherBoot: "applied",
    AppliedWithoutHold: "applied-versions",
    NeverOnline: "status",
    WeakDoses: "qos",
    DoseWithoutUptime: "fields",
    DoseToldAnew: "dose-same",
    DoseInSeconds: "dose-time",
    SilentToTheUnknown: "unknown-command",
    NoRestart: "restart",
    ObeysLate: "expired",
    ObeysTwice: "command-once",
    ObeysTwiceAfterARestart: "command-once",
    CrashesAtAnOddHold: "odd-message",
    CrashesAtDepth: "deep-message",
    CrashesAtSize: "large-message",
    RefusesInSilence: "refusal-told",
    DoesNotAcknowledge: "refusal-acknowledged",
    TakesHalfAPlan: "refusal-whole",
    KnowsAllFields: "unknown-fields",
    FeedsWithoutAPlan: "no-plan",
    TakesOlderPlans: "plan-lower",
    TakesOlderReleases: "release-lower",
    IgnoresOlderHolds: "held-always",
    MovesWhileHeld: "held-command",
    MealsMoveWhileHeld: "held-meals",
    ForgetsTheHold: "held-restart",
    ReducesNothing: "reduce",
    TakesTurns: "two-installations",
    FeedsAMealTwice: "meal-once",
    FeedsThePast: "meal-past",
    NoCap: "cap-command",
    NoCapForMeals: "cap-meal",
    CapForgottenAtStart: "cap-restart",
    NoFallback: "fallback",
    FallbackForEver: "fallback-until",
    SkipsNumbers: "dose-seq",
    ResendsNothing: "resend",
    NeverRepeats: "repeated",
    ForgetsNothing: "received",
    BelievesAnyJournal: "received-foreign",
    BelievesTheFuture: "received-future",
    WrongUnit: "senml-units",
    HalfSeconds: "senml-time",
    NoNames: "senml",
}
BLIND: dict[type, str] = {  # these have no clock of their own
    ObeysBlind: "no-clock-no-expiry",
    BelievesOldTime: "time-stale",
}


# -- those without which nothing works


class AnswersNothing(Feeder):
    def say(self, tail: str, retain: bool = False, **fields: Any) -> None:
        if tail != "reply":
            super().say(tail, retain, **fields)


class DosesNothing(Feeder):
    def dose(self, meal: str | None, cause: str, asked_g: float) -> Any:
        return "ok"


class NoMeals(Feeder):
    def is_due(self, meal: str, at_ms: int, now_ms: int) -> bool:
        return False


class TimeIgnored(Feeder):
    def take_time(self, body: dict[str, Any]) -> None:
        pass


class NoSamples(Probe):
    def say(self, tail: str, body: Any, retain: bool = False) -> None:
        if tail != "samples":
            super().say(tail, body, retain)


ALONE: dict[type, str] = {AnswersNothing: "reply", DosesNothing: "dispense", NoMeals: "meal", NoSamples: "samples"}
