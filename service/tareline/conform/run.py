"""A run: cases one after another, and the verdicts."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from tareline.conform import common_cases, feeder_cases, journal_cases, probe_cases
from tareline.conform.bench import FIRST_WORD_S, INSTALLATION, SECOND, Bench, Options, Unfit
from tareline.conform.verdicts import Verdicts
from tareline.conform.wire import Ended, Wire
from tareline.mqtt import messages as models
from tareline.mqtt.messages import explain


@dataclass(frozen=True, slots=True)
class Case:
    title: str
    act: Callable[[Bench], None]
    rules: tuple[str, ...]


CONNECT = Case("restart and connect", common_cases.connect, ("restart", "boot", "status", "applied", "retained"))
COMMANDS = Case("commands", common_cases.commands, ("reply", "unknown-command", "expired"))
CLOCK = Case("time that is told", common_cases.clock, ("time-stale", "time-taken", "no-clock-no-expiry"))
MESSAGES = Case(
    "messages that cannot be taken",
    common_cases.messages,
    ("odd-message", "deep-message", "large-message", "refusal-told", "refusal-acknowledged", "refusal-whole"),
)
CASES: dict[str, tuple[Case, ...]] = {
    "feeder": (
        CONNECT,
        Case("no plan yet", feeder_cases.no_plan, ("no-plan",)),
        COMMANDS,
        Case("a dose by command", feeder_cases.dispense, ("dispense", "reply", "dose-time")),
        Case("versions", feeder_cases.versions, ("applied-versions", "unknown-fields", "plan-lower")),
        Case(
            "holds",
            feeder_cases.holds,
            ("held-command", "held-meals", "held-restart", "release-lower", "held-always"),
        ),
        CLOCK,
        Case("repeated and expired commands", feeder_cases.once, ("command-once", "expired")),
        Case("meals", feeder_cases.meals, ("meal", "meal-past", "meal-once")),
        Case("the day's cap", feeder_cases.cap, ("cap-command", "cap-meal", "cap-restart")),
        Case("reduced feeding", feeder_cases.reduce, ("reduce",)),
        Case(
            "the journal",
            journal_cases.journal,
            ("resend", "received-foreign", "repeated", "received", "received-future"),
        ),
        Case("the fallback", feeder_cases.fallback, ("fallback", "fallback-until")),
        MESSAGES,
        Case("two installations", feeder_cases.two_installations, ("two-installations",)),
    ),
    "probe": (
        CONNECT,
        COMMANDS,
        Case("samples", probe_cases.samples, ("samples", "senml", "senml-units", "senml-time")),
        MESSAGES,
        CLOCK,
    ),
}
UP: dict[str, type[BaseModel]] = {
    "status": models.Status,
    "applied": models.Applied,
    "dose": models.DoseMessage,
    "weight": models.Weight,
    "fault": models.Fault,
    "reply": models.Reply,
}
FEEDER_HELLO = ("journal", "journal_from", "journal_to", "gain_g_per_step")


def find_kind(wire: Wire, kind: str | None) -> str:
    """What the device says it is. Raises Ended where it says nothing, or something else than was told."""
    hello = wire.wait(
        lambda log: next((one.fields for one in log if one.tail == "hello" and one.fields), None), 0, FIRST_WORD_S
    )
    said = (hello or {}).get("kind")
    if hello is None and not wire.log:
        raise Ended(f"nothing is heard under {wire.prefix}up/: is the device on, and is this its name?")
    found = kind or said
    if found not in CASES or (said is not None and kind is not None and said != kind):
        raise Ended(f"kind: expected feeder or probe, as up/hello says it; found {said!r}. Tell --kind")
    return str(found)


def refuse_installations(wire: Wire) -> None:
    """Raises Ended where a plan or hold of a real installation stands on the broker."""
    for tail in ("plan", "hold"):
        body = wire.issued.get(tail)
        name = body.get("installation") if isinstance(body, dict) else body
        if tail in wire.issued and name not in (INSTALLATION, SECOND):
            raise Ended(
                f"down/{tail} of the installation {name!r} stands on the broker: a service feeds by this device. End "
                "that service, and tell --take-over if the device shall be tried all the same"
            )


def run(
    wire: Wire, options: Options, tell: Callable[[Case, Verdicts], None] = lambda _case, _verdicts: None
) -> Verdicts:
    """Try every case of a kind; `tell` is called after each. What ends a run early stands with the rules not tried."""
    verdicts = Verdicts(options.kind)
    bench = Bench(wire, options, verdicts)
    _read_what_is_kept(bench)
    first_seq = None if bench.last_seq is None else bench.last_seq + 1
    cases = CASES[options.kind]
    try:
        for case in cases:
            _try(bench, case)
            tell(case, verdicts)
    except Ended as ended:
        verdicts.ended = str(ended)
        for case in cases:
            _leave(verdicts, case, str(ended))
    finally:
        _leave_safe(bench)
    _judge_what_came(bench)
    if options.kind == "feeder":
        journal_cases.whole_run(bench, first_seq)
    return verdicts


def _read_what_is_kept(bench: Bench) -> None:
    """What the broker had kept of the device before this run began."""
    with bench.wire.changed:
        for heard in bench.wire.log:
            bench.wire.on_up(heard)


def _try(bench: Bench, case: Case) -> None:
    bench.begin()
    try:
        case.act(bench)
    except Unfit as why:
        _leave(bench.verdicts, case, str(why))
    finally:
        bench.rest()
    bench.answered()


def _leave(verdicts: Verdicts, case: Case, why: str) -> None:
    for rule in case.rules:
        verdicts.leave(rule, why)


def _leave_safe(bench: Bench) -> None:
    """No meals, no fallback, a cap of nothing, and held: whatever comes later must be said by somebody."""
    try:
        if bench.options.kind == "feeder":
            bench.plan(cap_g=0.0)
        bench.rest()
        bench.answered()
    except Ended:  # somebody else speaks to the device: it is theirs
        pass


def _judge_what_came(bench: Bench) -> None:
    """Fields, types and QoS of every message of the run."""
    with bench.wire.changed:
        heard = list(bench.wire.log)
    live = [one for one in heard if not one.retained]
    weak = [one for one in live if one.qos != 1]
    bench.judge("qos", not weak, "QoS 1", "; ".join(f"up/{one.tail} with QoS {one.qos}" for one in weak[:3]), "")
    for one in live:
        model = models.Hello if one.tail == "hello" else UP.get(one.tail)
        if model is not None:
            rule = "hello" if one.tail == "hello" else "fields"
            wrong = _wrong(model, one.payload, bench.options.kind)
            shown = f"{wrong}; in up/{one.tail} {one.payload[:300].decode('utf-8', 'replace')}"
            bench.judge(rule, not wrong, "the contract's fields and types", shown, "")


def _wrong(model: type[BaseModel], payload: bytes, kind: str) -> str:
    """What is wrong with a message; empty where nothing is."""
    try:
        found: Any = model.model_validate_json(payload)
    except ValidationError as error:
        return explain(error)
    if model is models.Hello:
        needed: Sequence[str] = FEEDER_HELLO if kind == "feeder" else ()
        missing = [name for name in needed if getattr(found, name) is None]
        if missing:
            return f"{missing[0]}: expected of a feeder"
        if found.kind != kind:
            return f"kind: expected {kind!r}, found {found.kind!r}"
    return ""


def tried(url: str, root: str, device: str, kind: str | None, ca: Path | None, **options: Any) -> Verdicts:
    """Connect, look, run, leave: a whole run without a word, for tests and scripts. Raises Ended."""
    wire = Wire(url, root, device, ca)
    try:
        found = find_kind(wire, kind)
        refuse_installations(wire)
        return run(wire, Options(found, **options))
    finally:
        wire.close()
