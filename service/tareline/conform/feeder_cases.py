"""What only a feeder does: plans, holds, caps, meals and the fallback."""

import secrets
from datetime import UTC, datetime
from typing import Any

from tareline.conform.bench import DAY_MS, SECOND, Bench, Unfit, matching
from tareline.conform.common_cases import NEAR_MS
from tareline.conform.wire import Ended, Heard, now_ms

SOON_MS = 1500
PAST_MS = 7_200_000
MARGIN_MS = 1500  # how long after its time something that must not happen is waited for


def _meal(target_g: float, in_ms: int = SOON_MS, meal: str | None = None) -> dict[str, Any]:
    at_ms = now_ms() + in_ms
    name = meal or f"{datetime.fromtimestamp(at_ms / 1000, UTC).date().isoformat()}/conform-{secrets.token_hex(3)}"
    return {"id": name, "at_ms": at_ms, "target_g": round(target_g, 6)}


def _run_out(bench: Bench, slot_ms: int, until_ms: int) -> None:
    """Send a plan whose meals have run out, by any reading: its first day was eight days ago, its last meal two."""
    size_g = bench.options.dose_g
    day_ms = now_ms() // DAY_MS * DAY_MS
    cap_g = bench.options.fed_today_g + bench.options.most_g
    bench.spend(size_g)
    bench.plan(
        _meal(size_g, -2 * DAY_MS),
        issued_at_ms=now_ms() - 8 * DAY_MS,
        days=[{"start_ms": day_ms + n * DAY_MS, "cap_g": cap_g} for n in range(-8, 2)],
        fallback={
            "daily_g": size_g,
            "at_utc_s": [slot_ms // 1000 % 86_400],
            "until_ms": until_ms,
            "blind_days": 1,
        },
    )


def _fallback_fed(log: list[Heard]) -> Any:
    """The first dose of the fallback that was due now: those of days gone by may be told as missed."""
    return next(
        (dose for dose in matching(log, "dose", {"cause": "fallback"}) if dose.get("outcome") != "missed"), None
    )


def _whole_second(in_ms: int) -> int:
    return (now_ms() + in_ms + 999) // 1000 * 1000


def _steps(dose: dict[str, Any] | None) -> int:
    steps = (dose or {}).get("steps")
    return steps if isinstance(steps, int) else 0


def _gives(bench: Bench, dose: dict[str, Any] | None, wanted_g: float) -> bool:
    """Whether its steps should give what was wanted, within a step and a twentieth."""
    gain = bench.gain or 0.0
    return dose is not None and abs(_steps(dose) * gain - wanted_g) <= gain + 0.05 * wanted_g


def no_plan(bench: Bench) -> None:
    applied = [heard.fields for heard in bench.wire.log if heard.tail == "applied"]
    if not applied or applied[-1].get("plan_version") != 0:
        raise Unfit("the device has a plan already; clear its flash, clear down/plan, and run conform again")
    bench.hold(False)
    bench.settle()
    bench.dispense()
    bench.settle()
    bench.judge("no-plan", bench.steps() == 0, "no steps: there is no plan yet, and so no cap")


def dispense(bench: Bench) -> None:
    """A dose by command. Without it nothing that moves can be tried."""
    bench.ready()
    size_g = bench.options.dose_g
    command, dose = bench.dispense()
    if dose is not None and dose.get("outcome") == "capped":
        raise Ended(
            "the device says that its cap for today is reached: tell --fed-today-g, or try again tomorrow "
            f"(it answered a dose of {size_g:g} g with {dose})"
        )
    right = _gives(bench, dose, size_g) and dose is not None and dose.get("cause") == "command"
    gain = "an up/hello with gain_g_per_step" if not bench.gain else f"{size_g / bench.gain:.0f} steps"
    bench.judge("dispense", right, f"one up/dose with cause command, {gain} for {size_g:g} g")
    if not _steps(dose):
        raise Ended("no dose came at a command, so that nothing that moves can be tried")
    assert dose is not None
    answer = bench.message("reply", id=command["id"])
    bench.judge("reply", answer is not None and answer.get("ok") is True, "up/reply with the command's id and ok: true")
    hello = matching(bench.wire.log, "hello", {})
    if hello and hello[-1].get("clock") == "set":
        at_ms = dose.get("at_ms")
        near = isinstance(at_ms, int) and abs(at_ms - now_ms()) < NEAR_MS
        bench.judge("dose-time", near, f"at_ms within a minute of {now_ms()}")
    else:
        bench.verdicts.leave("dose-time", "the device's clock is not set")


def versions(bench: Bench) -> None:
    plan, hold = bench.plan(), bench.hold(False)
    both: dict[str, Any] = {"plan_version": plan, "hold_version": hold}
    applied = bench.message("applied", **both)
    bench.judge("applied-versions", applied is not None, f"up/applied {both}")
    if applied is not None:
        odd = _meal(bench.options.dose_g, 21_600_000) | {"colour": "red", "more": {"of": [1, 2]}}
        version = bench.plan(odd, colour="red", more=[{"deep": [1, {"a": None}]}])
        taken = bench.message("applied", plan_version=version)
        bench.judge("unknown-fields", taken is not None, f"up/applied with plan_version {version}")
    else:
        bench.verdicts.leave("unknown-fields", "the device does not tell which plan is in force")
    version = bench.plan()
    bench.settle()
    meal = _meal(bench.options.dose_g)
    low = bench.plan(meal, version=version - 1)
    bench.settle()
    fed = bench.wait_until(
        meal["at_ms"] + MARGIN_MS, lambda log: next(iter(matching(log, "dose", {"meal": meal["id"]})), None)
    )
    obeyed = _steps(fed) > 0 or bool(bench.all("applied", plan_version=low))
    bench.judge("plan-lower", not obeyed, f"neither version {low} in force nor its meal fed: {version} came before")


def holds(bench: Bench) -> None:
    bench.ready()
    bench.hold(True)
    bench.settle()
    bench.begin()
    bench.sent.append("down/hold with held: true")
    _, dose = bench.dispense()
    still = dose is not None and dose.get("outcome") == "held" and _steps(dose) == 0
    if not bench.judge("held-command", still, "an up/dose with outcome held and no steps"):
        raise Unfit("the device moves while it is held, or does not tell it")
    bench.begin()
    meal = _meal(bench.options.dose_g, 500)
    bench.plan(meal)
    bench.wait_until(
        meal["at_ms"] + MARGIN_MS, lambda log: next(iter(matching(log, "dose", {"meal": meal["id"]})), None)
    )
    slot_ms = _whole_second(500)
    _run_out(bench, slot_ms, slot_ms + DAY_MS)
    bench.wait_until(slot_ms + MARGIN_MS, _fallback_fed)
    bench.settle()
    bench.judge("held-meals", bench.steps() == 0, "no steps: both fell due during the hold")
    bench.plan()
    bench.begin()
    bench.restart()
    bench.dispense()
    bench.settle()
    bench.judge("held-restart", bench.steps() == 0, "no steps: it was held before the restart")
    held = bench.hold(True)
    bench.settle()
    bench.begin()
    bench.hold(False, version=held - 1)
    bench.settle()
    bench.dispense()
    bench.settle()
    expected = f"no steps: the release has version {held - 1}, and a hold with {held} came before"
    bench.judge("release-lower", bench.steps() == 0, expected)
    bench.begin()
    released = bench.hold(False)
    bench.settle()
    bench.hold(True, version=held - 2)
    bench.settle()
    bench.dispense()
    bench.settle()
    expected = f"no steps: held: true is obeyed, though its version {held - 2} is below {released}"
    bench.judge("held-always", bench.steps() == 0, expected)


def _told(bench: Bench, target_g: float) -> list[dict[str, Any]]:
    """Doses by command of this size that moved, each once."""
    return [dose for dose in bench.doses(cause="command") if _steps(dose) and _gives(bench, dose, target_g)]


def once(bench: Bench) -> None:
    """Three sizes that differ, so that a dose tells which command it obeys."""
    bench.ready()
    size_g = bench.options.dose_g
    first, expired_g, last_g = size_g, 1.3 * size_g, 1.6 * size_g
    command, _ = bench.dispense(first)
    for _ in range(2):
        bench.say("command", command)
    bench.spend(expired_g)
    bench.command("dispense", -3_600_000, target_g=round(expired_g, 6))
    bench.spend(last_g)
    bench.command("dispense", target_g=round(last_g, 6))
    if bench.wait(lambda _: _told(bench, last_g) or None) is None:
        raise Unfit("the command after the repeated ones was not obeyed")
    bench.settle()
    bench.judge("expired", not _told(bench, expired_g), f"no dose of {expired_g:g} g: its command expired an hour ago")
    one = bench.judge(
        "command-once", len(_told(bench, first)) == 1, f"one dose of {first:g} g, though sent three times"
    )
    if not one:
        return
    bench.restart()
    bench.say("command", command)
    _, dose = bench.dispense(last_g)
    if dose is None:
        raise Unfit("no command was obeyed after a restart")
    bench.settle()
    bench.judge("command-once", len(_told(bench, first)) == 1, f"no second dose of {first:g} g after a restart")


def _fed(bench: Bench, meal: dict[str, Any]) -> int:
    """How many doses of this meal moved."""
    return sum(_steps(dose) > 0 for dose in bench.doses(meal=meal["id"]))


def meals(bench: Bench) -> None:
    bench.ready()
    size_g = bench.options.dose_g
    past, first = _meal(size_g, -PAST_MS), _meal(size_g)
    bench.plan(past, first)
    dose = bench.meal_dose(first["id"])
    right = dose is not None and dose.get("cause") == "plan" and _gives(bench, dose, size_g)
    bench.settle()
    bench.judge("meal-past", _fed(bench, past) == 0, f"no dose of {past['id']}: its time was two hours ago")
    if not bench.judge("meal", right, f"an up/dose with meal {first['id']!r}, cause plan, for {size_g:g} g"):
        raise Unfit("no meal was fed at its time")
    for again in (False, True):
        if again:
            bench.restart()
        moved, fence = _meal(size_g, 500, first["id"]), _meal(size_g)
        bench.plan(moved, fence)
        if bench.meal_dose(fence["id"]) is None:
            raise Unfit("the meal after the repeated one was not fed")
        bench.settle()
        expected = f"no second dose of {first['id']}: a meal id is fed at most once"
        bench.judge("meal-once", _fed(bench, first) == 1, expected)


def cap(bench: Bench) -> None:
    """A cap that leaves four tenths of a dose at most, whatever the device gave before."""
    bench.ready()
    size_g, gain = bench.options.dose_g, bench.gain or 0.0
    room_g = 0.4 * size_g
    bench.dispense()
    cap_g = bench.moved_g() + room_g
    bench.plan(cap_g=cap_g)
    bench.settle()
    bench.begin()
    bench.sent.append(f"a plan with cap_g {cap_g:.3f}, of which {room_g:g} g are left at most")

    def kept() -> bool:
        return bench.moved_g() <= room_g + gain

    _, first = bench.dispense()
    _, second = bench.dispense()
    told = all(dose is not None and dose.get("outcome") == "capped" for dose in (first, second))
    expected = f"two doses with outcome capped, together at most {room_g:g} g"
    if not bench.judge("cap-command", told and kept(), expected):
        raise Unfit("the cap is not kept over commands")
    meal = _meal(size_g)
    bench.plan(meal, cap_g=cap_g)
    bench.meal_dose(meal["id"])
    bench.settle()
    if bench.judge("cap-meal", kept(), f"the meal capped: no more than {room_g:g} g under this cap"):
        bench.restart()
        bench.dispense()
        bench.settle()
        bench.judge("cap-restart", kept(), f"after a restart still no more than {room_g:g} g under this cap")


def reduce(bench: Bench) -> None:
    bench.ready()
    size_g = bench.options.dose_g
    bench.hold(False, reduce_to=0.5)
    bench.settle()
    _, dose = bench.dispense(2 * size_g)
    meal = _meal(2 * size_g)
    bench.plan(meal)
    fed = bench.meal_dose(meal["id"])
    both = _gives(bench, dose, size_g) and _gives(bench, fed, size_g)
    bench.judge("reduce", both, f"two doses of {size_g:g} g: half of what the command and the meal ask for")


def fallback(bench: Bench) -> None:
    bench.ready()
    size_g, slot_ms = bench.options.dose_g, _whole_second(1500)
    _run_out(bench, slot_ms, slot_ms + DAY_MS)
    dose = bench.wait(_fallback_fed)
    right = _gives(bench, dose, size_g) and isinstance(dose.get("meal"), str)
    if not bench.judge("fallback", right, f"an up/dose with cause fallback and an id, for {size_g:g} g"):
        raise Unfit("no fallback was fed")
    bench.begin()
    slot_ms = _whole_second(1500)
    _run_out(bench, slot_ms, now_ms() - 3_600_000)
    bench.wait_until(slot_ms + MARGIN_MS, _fallback_fed)
    bench.settle()
    fed = any(_steps(dose) for dose in bench.doses(cause="fallback"))
    bench.judge("fallback-until", not fed, "no fallback: until_ms is past")


def two_installations(bench: Bench) -> None:
    """Another service, then this one again. Afterwards a hold and its release, by which a person ends the stop."""
    bench.ready()
    bench.begin()
    bench.plan(installation=SECOND)
    bench.hold(False, installation=SECOND)
    bench.ready()
    bench.dispense()
    bench.settle()
    told = bool(bench.all("fault"))
    still = bench.steps() == 0
    bench.judge("two-installations", told and still, "an up/fault that tells it, and no steps")
    bench.hold(True)
    bench.settle()
    bench.hold(False)
    bench.settle()
