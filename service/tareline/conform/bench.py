"""What every case works with: the device's state as the service sees it, and the few things a case does with it."""

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tareline.conform.verdicts import Breach, Verdicts
from tareline.conform.wire import Ended, Heard, Wire, now_ms

INSTALLATION = "conform"
SECOND = "conform-second"
MOST_DOSES = 60  # what a run asks for at most, in doses of its size
DAY_MS = 86_400_000
EXPIRES_MS = 60_000
FIRST_WORD_S = 30.0  # a device that is connected has its status and hello retained; one that starts joins first


class Unfit(Exception):  # noqa: N818 - a case that cannot be tried is no error
    """This case cannot continue; what it has not judged was not tried, for this reason."""


@dataclass(frozen=True, slots=True)
class Options:
    """dose_g: size of a dose. fed_today_g: what the device's counter may hold already. patience_s: for an answer."""

    kind: str
    dose_g: float = 0.05
    fed_today_g: float = 0.0
    patience_s: float = 30.0
    samples_s: float = 150.0

    @property
    def most_g(self) -> float:
        return round(MOST_DOSES * self.dose_g, 6)


@dataclass
class Bench:
    wire: Wire
    options: Options
    verdicts: Verdicts
    boot: str | None = None
    journal: str | None = None
    gain: float | None = None
    last_seq: int | None = None  # the highest that is known to be used
    version: int = 0
    receives: bool = True  # answer doses with received
    times: bool = True  # answer hellos with the time
    clock: str | None = None  # what the last hello says of it
    excused: set[int] = field(default_factory=set)  # numbers of doses whose lack was judged already
    since: int = 0
    sent: list[str] = field(default_factory=list)
    asked_g: float = 0.0

    def __post_init__(self) -> None:
        self.wire.on_up = self._heard

    # -- what the service does by itself

    def _heard(self, heard: Heard) -> None:
        """On the network's thread: answer a hello with the time and a dose with received, as the service does."""
        body = heard.fields
        if heard.tail == "hello" and body:
            self.boot, self.clock = body.get("boot"), body.get("clock")
            self.journal = body.get("journal", self.journal)
            self.gain = body.get("gain_g_per_step", self.gain)
            if self.last_seq is None and isinstance(body.get("journal_to"), int):
                self.last_seq = body["journal_to"]
            if self.times and not heard.retained:
                self.wire.say("time", time_answer(body), qos=0)
        if heard.tail == "dose" and isinstance(body.get("seq"), int):
            self.last_seq = max(self.last_seq or 0, body["seq"])
            if self.receives:
                self.wire.say("received", {"journal": body.get("journal"), "seq": self.last_seq}, retain=True)

    # -- speaking

    def begin(self) -> None:
        """A new case: what was said and heard so far is past."""
        self.since = len(self.wire.log)
        self.sent = []

    def mark(self) -> int:
        return len(self.wire.log)

    def say(self, tail: str, body: dict[str, Any] | bytes, retain: bool = False) -> None:
        self.sent.append(f"down/{tail} {_short(body)}")
        self.wire.say(tail, body, retain)

    def next_version(self) -> int:
        """The larger of the last plus one and now in milliseconds."""
        self.version = max(self.version + 1, now_ms())
        return self.version

    def plan(self, *meals: dict[str, Any], cap_g: float | None = None, version: int | None = None, **other: Any) -> int:
        """Send a plan; returns its version. Its day begins now or earlier, so that it is in force."""
        version = version or self.next_version()
        midnight_ms = now_ms() // DAY_MS * DAY_MS
        cap_g = self.options.fed_today_g + self.options.most_g if cap_g is None else cap_g
        body = {
            "installation": INSTALLATION,
            "version": version,
            "issued_at_ms": now_ms(),
            "gain_g_per_step": self.gain,
            "days": [{"start_ms": midnight_ms + n * DAY_MS, "cap_g": round(cap_g, 6)} for n in range(9)],
            "meals": list(meals),
            "fallback": None,
        }
        self.spend(sum(meal["target_g"] for meal in meals))
        self.say("plan", body | other, retain=True)
        return version

    def hold(self, held: bool, reduce_to: float | None = None, version: int | None = None, **other: Any) -> int:
        version = version or self.next_version()
        body = {
            "installation": INSTALLATION,
            "version": version,
            "held": held,
            "reduce_to": reduce_to,
            "reason": "conform",
        }
        self.say("hold", body | other, retain=True)
        return version

    def command(self, do: str, expires_in_ms: int | None = None, **args: Any) -> dict[str, Any]:
        """Send a command with an id of its own; returns it, to be sent again.

        Without an end, unless one is told: a device whose clock is not set ignores commands that expire.
        """
        body = {
            "id": f"conform-{secrets.token_hex(6)}",
            "expires_at_ms": None if expires_in_ms is None else now_ms() + expires_in_ms,
            "do": do,
            "args": args,
        }
        self.say("command", body)
        return body

    def spend(self, asked_g: float) -> None:
        """Count what is asked for. Raises Ended beyond what was announced before the run."""
        self.asked_g += asked_g
        if self.asked_g > self.options.most_g:
            raise Ended(f"this run has asked for the {self.options.most_g:g} g that it announced")

    # -- hearing

    def wait(self, find: Callable[[list[Heard]], Any], since: int | None = None, timeout_s: float | None = None) -> Any:
        since = self.since if since is None else since
        return self.wire.wait(find, since, self.options.patience_s if timeout_s is None else timeout_s)

    def message(self, tail: str, since: int | None = None, timeout_s: float | None = None, **fields: Any) -> Any:
        """The first live message of a tail with these fields; None where it does not come in time."""
        return self.wait(lambda log: next(iter(matching(log, tail, fields)), None), since, timeout_s)

    def all(self, tail: str, since: int | None = None, **fields: Any) -> list[dict[str, Any]]:
        """Live messages of a tail so far."""
        with self.wire.changed:
            return matching(self.wire.log[self.since if since is None else since :], tail, fields)

    def answered(self, timeout_s: float | None = None) -> bool:
        """Whether the device still answers: then it has dealt with everything that was sent before.

        Asked by a resend of doses that are not there, which moves nothing; else by a command that does not exist, so
        that a device that breaks one of the two rules is still heard.
        """
        since = self.mark()
        for do, args in (("resend", {"from": 2**40, "to": 2**40}), ("conform-are-you-there", {})):
            asked = {"id": f"conform-{secrets.token_hex(6)}", "expires_at_ms": None, "do": do, "args": args}
            self.wire.say("command", asked)
            if self.message("reply", since, timeout_s, id=asked["id"]) is not None:
                return True
        return False

    def settle(self) -> None:
        """Wait until everything sent so far was dealt with. Raises Unfit."""
        if not self.answered():
            raise Unfit("the device answered no command any more")

    def ready(self, cap_g: float | None = None) -> None:
        """An empty plan with room under its cap, not held, not reduced; and taken, as far as order can tell."""
        self.plan(cap_g=cap_g)
        self.hold(False)
        self.settle()

    def rest(self) -> None:
        """Between cases: held, so that nothing can move."""
        self.wire.say("hold", self._resting(), retain=True)
        self.receives = self.times = True

    def _resting(self) -> dict[str, Any]:
        return {
            "installation": INSTALLATION,
            "version": self.next_version(),
            "held": True,
            "reduce_to": None,
            "reason": "conform rests",
        }

    def dispense(
        self, target_g: float | None = None, expires: bool = True
    ) -> tuple[dict[str, Any], dict[str, Any] | None]:
        """Command a dose; returns the command, and the dose or None where none is told.

        expires: whether the command has an end where the device's clock is set.
        """
        target_g = self.options.dose_g if target_g is None else target_g
        self.spend(target_g)
        since = self.mark()
        known = self.last_seq or 0
        end_ms = EXPIRES_MS if expires and self.clock == "set" else None
        command = self.command("dispense", end_ms, target_g=round(target_g, 6))

        def fresh(log: list[Heard]) -> Any:
            doses = [dose for dose in matching(log, "dose", {"cause": "command"}) if _seq(dose) > known]
            refused = [reply for reply in matching(log, "reply", {"id": command["id"]}) if reply.get("ok") is False]
            return next(iter(doses or refused), None)

        found = self.wait(fresh, since)
        if found is not None and "seq" not in found:  # refused; a dose may be told after the answer
            self.answered()
            doses = [dose for dose in self.all("dose", since, cause="command") if _seq(dose) > known]
            return command, doses[0] if doses else None
        return command, found

    def meal_dose(self, meal: str, since: int | None = None, timeout_s: float | None = None) -> Any:
        return self.message("dose", since, timeout_s, meal=meal)

    def doses(self, since: int | None = None, **fields: Any) -> list[dict[str, Any]]:
        """Doses that were told for the first time since then; a dose may be told again at any time."""
        since = self.since if since is None else since
        with self.wire.changed:
            before = {_identity(dose) for dose in matching(self.wire.log[:since], "dose", {})}
            fresh = {_identity(dose): dose for dose in matching(self.wire.log[since:], "dose", fields)}
        return [dose for identity, dose in fresh.items() if identity not in before]

    def steps(self, since: int | None = None) -> int:
        """Steps of all doses that are new since then."""
        return sum(dose["steps"] for dose in self.doses(since) if isinstance(dose.get("steps"), int))

    def moved_g(self, since: int | None = None) -> float:
        """What these steps should have given, by the announced gain."""
        return self.steps(since) * (self.gain or 0.0)

    def restart(self) -> dict[str, Any]:
        """Start the device anew by command; returns the hello of the new start. Raises Unfit."""
        if "restart" in self.verdicts.breaches:
            raise Unfit("the device does not start anew by command")
        since, before = self.mark(), self.boot
        self.command("restart")

        def anew(log: list[Heard]) -> Any:
            return next((hello for hello in matching(log, "hello", {}) if hello.get("boot") != before), None)

        hello: dict[str, Any] | None = self.wait(anew, since)
        if hello is None:
            raise Unfit("the device did not start anew by command")
        return hello

    def wait_until(self, at_ms: int, find: Callable[[list[Heard]], Any] = lambda _: None) -> Any:
        """Wait for a moment; what `find` sees ends it early."""
        return self.wait(find, None, max(0.0, (at_ms - now_ms()) / 1000))

    # -- judging

    def judge(self, rule: str, holds: bool, expected: str, came: str | None = None, sent: str | None = None) -> bool:
        sent = "; ".join(self.sent[-4:]) if sent is None else sent
        return self.verdicts.judge(rule, holds, Breach(sent, expected, self.came() if came is None else came))

    def came(self) -> str:
        """The last messages of this case, in short."""
        with self.wire.changed:
            heard = [one for one in self.wire.log[self.since :] if not one.retained and one.tail != "weight"]
        return "; ".join(f"up/{one.tail} {_short(one.payload)}" for one in heard[-5:]) or "nothing"


def time_answer(hello: dict[str, Any], ahead_ms: int = 0) -> dict[str, Any]:
    """down/time in answer to a hello; or one that is wrong by `ahead_ms`."""
    return {"now_ms": now_ms() + ahead_ms, "boot": hello.get("boot"), "uptime_ms": hello.get("uptime_ms")}


def matching(log: list[Heard], tail: str, fields: dict[str, Any]) -> list[dict[str, Any]]:
    """The bodies of live messages of this tail with these fields."""
    live = (heard.fields for heard in log if heard.tail == tail and not heard.retained)
    return [body for body in live if body and all(body.get(key) == value for key, value in fields.items())]


def _identity(dose: dict[str, Any]) -> tuple[Any, Any]:
    return dose.get("journal"), dose.get("seq")


def _seq(dose: dict[str, Any]) -> int:
    seq = dose.get("seq")
    return seq if isinstance(seq, int) else 2**53


def _short(body: dict[str, Any] | bytes) -> str:
    text = str(body) if isinstance(body, dict) else body[:400].decode("utf-8", "replace")
    return text if len(text) <= 240 else f"{text[:240]}... ({len(text)} characters)"
