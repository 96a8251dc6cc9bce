"""What a feeder and a probe have in common: the connection, commands, messages that cannot be taken, and time."""

import json
import math
from typing import Any

from tareline.conform.bench import EXPIRES_MS, Bench, Unfit, matching, time_answer
from tareline.conform.wire import Ended, Heard, now_ms

STALE_S = 5.5  # the contract refuses what is over 5 s old
LARGE = 20_000  # bytes, of at most 8 192
NEAR_MS = 60_000  # how far a set clock may be off
TAILS = ("plan", "hold", "received", "time", "command", "conform-nonsense")
ODD = (
    b"",
    b"{",
    b"\xff\xfe\x00",
    b"[1]",
    b"null",
    b'"text"',
    b"9" * 4000,
    b"{}",
    b'{"version": 1e400}',
    b'{"version": NaN, "now_ms": -1, "seq": -5}',
    b'{"held": "yes", "version": "1", "installation": 7}',
    b'{"installation": "conform", "version": 9007199254740000, "held": "yes"}',
    b'{"installation": "conform", "version": 9007199254740000, "days": 5, "meals": {"a": 1}}',
    b'{"id": 5, "do": [], "args": 3}',
    b'{"id": {"a": 1}, "do": "dispense", "args": {"target_g": "much"}}',
    b'{"journal": null, "seq": "all"}',
)
DEEP = (
    b"[" * 4000,
    b"[" * 2000 + b"]" * 2000,
    b'{"a":' * 1000 + b"1" + b"}" * 1000,
    b"[" + b"[]," * 2690 + b"[]]",
)


def connect(bench: Bench) -> None:
    """A restart by command, and everything that a device says when it connects."""
    before = next((heard.fields for heard in bench.wire.log if heard.tail == "hello"), {})
    bench.hold(True)
    started_ms = now_ms()
    try:
        hello = bench.restart()
    except Unfit:
        bench.judge("restart", False, "up/hello with another boot")
        raise
    bench.judge("restart", True, "")
    uptime_ms = hello.get("uptime_ms")
    anew = isinstance(uptime_ms, int) and uptime_ms <= now_ms() - started_ms + 1000
    same = not before or all(hello.get(key) == before.get(key) for key in ("board", "journal"))
    expected = f"a new boot, uptime_ms counted from the restart, board and journal as before ({before})"
    bench.judge("boot", anew and same, expected, f"up/hello {hello}")
    # Its last will is not looked for: a broker may leave it untold where the device is back at once.
    came = bench.message("status", online=True) is not None
    bench.judge("status", came, "up/status with online: true")
    tails: tuple[str, ...] = ("status", "hello")
    if bench.options.kind == "feeder":
        applied = bench.message("applied", boot=hello.get("boot"))
        bench.judge("applied", applied is not None, f"up/applied with boot {hello.get('boot')!r} after the connect")
        tails += ("applied",) if applied else ()
    kept = bench.wire.kept(tails, bench.options.patience_s)
    all_kept = len(kept) == len(tails) and (kept["hello"] or {}).get("boot") == hello.get("boot")
    bench.judge("retained", all_kept, f"up/{', up/'.join(tails)} kept by the broker for who comes later", str(kept))


def commands(bench: Bench) -> None:
    """Answers, and a command that has expired."""
    known = bench.command("resend", None, **{"from": 2**40, "to": 2**40})
    unknown = bench.command("conform-no-such-command", None)
    answer = bench.message("reply", id=unknown["id"])
    other = bench.message("reply", id=known["id"], timeout_s=bench.options.patience_s if answer is None else 1.0)
    if not bench.judge("reply", answer is not None or other is not None, "up/reply with the id of each command"):
        raise Ended("the device answers no command, so that nothing can be asked of it")
    bench.judge("unknown-command", answer is not None and answer.get("ok") is False, "up/reply with ok: false")
    boot = bench.boot
    bench.command("restart", -3_600_000)
    bench.settle()
    bench.judge("expired", bench.boot == boot, "no restart: the command expired an hour ago")


def messages(bench: Bench) -> None:
    """What cannot be taken: restarts nothing, is told, and does not come again."""
    started = bench.mark()
    boot = bench.boot
    groups: list[tuple[str, str, list[tuple[str, bytes]]]] = [
        ("odd-message", "odd", [(tail, odd) for odd in ODD for tail in TAILS]),
        ("deep-message", "deep", [(tail, deep) for deep in (*DEEP, _deep_fallback(bench)) for tail in TAILS]),
        ("large-message", "large", [("plan", _large(bench)), ("command", b"x" * LARGE)]),
    ]
    for rule, what, group in groups:
        bench.begin()
        for tail, payload in group:
            bench.wire.say(tail, payload)
        sent = f"{len(group)} {what} messages under down/, such as {group[0][1][:40]!r} and {group[-1][1][:40]!r}"
        alive = bench.answered()
        expected = "the next command answered, by the same start of the device"
        bench.judge(rule, alive and bench.boot == boot, expected, sent=sent)
        if not alive and not bench.answered():
            raise Ended(f"the device answers nothing any more after {what} messages; it may need its session cleared")
        boot = bench.boot
    bench.since = started
    if bench.options.kind == "feeder":
        _refused_whole(bench)
    faults = bench.all("fault")
    bench.judge("refusal-told", bool(faults), "up/fault for a message that cannot be taken", "no up/fault")
    if not faults:
        raise Unfit("the device tells no fault by which a message that comes again could be seen")
    codes = {fault.get("code") for fault in faults}
    since = bench.mark()
    hello = bench.restart()
    bench.settle()
    again = [fault for fault in bench.all("fault", since, boot=hello.get("boot")) if fault.get("code") in codes]
    expected = "no fault about these messages after the restart: they were acknowledged before it"
    bench.judge("refusal-acknowledged", not again, expected, str(again[:2]), "messages that cannot be taken; a restart")


def _plan_head(bench: Bench) -> dict[str, Any]:
    return {
        "installation": "conform",
        "version": bench.next_version(),
        "issued_at_ms": now_ms(),
        "gain_g_per_step": None,
    }


def _deep_fallback(bench: Bench) -> bytes:
    """A plan that is right but for its fallback."""
    head = json.dumps(_plan_head(bench) | {"days": [], "meals": []})[:-1]
    return head.encode() + b', "fallback": ' + b"[" * 2000 + b"]" * 2000 + b"}"


def _large(bench: Bench) -> bytes:
    """A plan that would be right, were it not for its size."""
    return json.dumps(_plan_head(bench) | {"days": [], "meals": [], "fallback": None, "note": "x" * LARGE}).encode()


def _refused_whole(bench: Bench) -> None:
    day = {"start_ms": now_ms() - 3_600_000, "cap_g": 1.0}
    body = _plan_head(bench) | {
        "days": [day],
        "meals": [
            {"id": "conform/whole", "at_ms": now_ms() + 21_600_000, "target_g": 0.01},
            {"id": 5, "at_ms": "soon", "target_g": -1},
        ],
        "fallback": None,
    }
    bench.say("plan", body)
    bench.settle()
    taken = bench.all("applied", plan_version=body["version"])
    expected = f"no up/applied with plan_version {body['version']}: its second meal cannot be taken"
    bench.judge("refusal-whole", not taken, expected)


def clock(bench: Bench) -> None:
    """Only where the device starts without a clock: what it believes of the time that it is told."""
    bench.times = False
    hello = bench.restart()
    if hello.get("clock") != "unset":
        raise Unfit("the device starts with its clock set; run conform on one whose clock was taken out")
    heard_ms = now_ms()
    feeder = bench.options.kind == "feeder"
    if feeder:
        bench.command("dispense", EXPIRES_MS, target_g=bench.options.dose_g)
        bench.settle()
        acted = bench.doses(cause="command")
        bench.judge("no-clock-no-expiry", not acted, "nothing: the device has no clock, and the command expires")
    bench.say("time", time_answer(hello, ahead_ms=10_800_000) | {"boot": "conform-another-boot"})
    bench.wait_until(heard_ms + round(STALE_S * 1000))
    bench.say("time", time_answer(hello, ahead_ms=10_800_000))
    bench.settle()
    believed = _has_clock(bench)
    bench.judge("time-stale", not believed, "the clock still unset: at_ms null or times relative to sending")
    bench.begin()
    bench.times = True
    bench.restart()
    bench.settle()
    taken = _has_clock(bench)
    bench.judge("time-taken", taken, "times near now after down/time with a fresh echo", sent="down/time")
    if not taken and feeder:
        raise Ended("the device takes no time, so that nothing with a time can be tried")


def _has_clock(bench: Bench) -> bool:
    """Whether the next thing that the device tells carries a time. A feeder is held, so that nothing moves."""
    since = bench.mark()
    if bench.options.kind == "feeder":
        _, dose = bench.dispense(expires=False)
        if dose is None:
            raise Unfit("a dispense during a hold was not told as a dose, so that its time cannot be seen")
        return dose.get("at_ms") is not None

    def pack(log: list[Heard]) -> Any:
        return next((heard.body for heard in log if heard.tail == "samples" and isinstance(heard.body, list)), None)

    found = bench.wait(pack, since, bench.options.samples_s)
    if not found:
        raise Unfit("no samples came whose time could be seen")
    base = found[0].get("bt")
    return isinstance(base, int | float) and math.isfinite(base) and base >= 2**28


def retold(bench: Bench) -> list[dict[str, Any]]:
    """Every live dose of the whole run, as often as it was told."""
    with bench.wire.changed:
        return matching(bench.wire.log, "dose", {})
