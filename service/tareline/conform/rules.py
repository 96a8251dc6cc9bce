"""The rules that a device is tried against, each in the contract's words, and what only a person's hand can try."""

from dataclasses import dataclass

BOTH = ("feeder", "probe")
FEEDER = ("feeder",)
PROBE = ("probe",)


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. by_hand: how a person tries it where a program on the broker cannot."""

    id: str
    kinds: tuple[str, ...]
    text: str
    by_hand: str = ""


RULES: dict[str, Rule] = {
    rule.id: rule
    for rule in (
        # -- the connection
        Rule("hello", BOTH, "At every connect a device says up/hello, with every field of its kind in the right type."),
        Rule(
            "boot",
            BOTH,
            "`boot` is random per start and `uptime_ms` counts from it; `board` and `journal` stay the same.",
        ),
        Rule("status", BOTH, "up/status says online: true at every connect."),
        Rule("applied", FEEDER, "up/applied is said at every connect and change; only the current boot's confirms."),
        Rule("retained", BOTH, "up/status, up/hello and (of a feeder) up/applied are retained."),
        Rule("qos", BOTH, "What a device publishes has QoS 1."),
        Rule("fields", BOTH, "Every message under up/ has the fields and types that the contract names."),
        # -- commands
        Rule("reply", BOTH, "A command is answered under up/reply with its `id` and `ok`."),
        Rule("unknown-command", BOTH, "A command that the device does not know is answered with ok: false."),
        Rule("restart", BOTH, "The command `restart` starts the device anew."),
        Rule("expired", BOTH, "A command never acts after it expires."),
        Rule("command-once", FEEDER, "A command id acts at most once, also across a restart."),
        # -- messages that cannot be taken
        Rule("odd-message", BOTH, "A message that is not what the contract says restarts no device and silences none."),
        Rule("deep-message", BOTH, "Deeply nested JSON of up to 8 KiB restarts no device and silences none."),
        Rule("large-message", BOTH, "A message above 8 KiB restarts no device and silences none."),
        Rule("refusal-told", BOTH, "A message that cannot be taken is told as a fault."),
        Rule("refusal-acknowledged", BOTH, "A message that cannot be taken is acknowledged: it does not come again."),
        Rule("refusal-whole", FEEDER, "A plan that cannot be taken is forgotten: nothing of it is in force."),
        Rule("unknown-fields", FEEDER, "Unknown fields are ignored."),
        # -- time
        Rule("time-stale", BOTH, "down/time is refused when what it echoes is over 5 s old or of another boot."),
        Rule("time-taken", BOTH, "down/time is taken by a device that has no better clock."),
        Rule("no-clock-no-expiry", FEEDER, "A device without a clock ignores commands that expire."),
        # -- plan and hold
        Rule("no-plan", FEEDER, "A device without a plan feeds nothing."),
        Rule("applied-versions", FEEDER, "up/applied names the versions of plan and hold that are in force."),
        Rule("plan-lower", FEEDER, "A lower plan version of the same installation is ignored."),
        Rule("release-lower", FEEDER, "A release with a lower version of the same installation is ignored."),
        Rule("held-always", FEEDER, "`held: true` is always obeyed, also with a lower version."),
        Rule("held-command", FEEDER, "Held means nothing moves: a command to dispense ends as `held`, with no steps."),
        Rule("held-meals", FEEDER, "Held means nothing moves: neither a meal of the plan nor the fallback is fed."),
        Rule("held-restart", FEEDER, "A hold outlasts a restart."),
        Rule("reduce", FEEDER, "`reduce_to` is applied by the device to commands and meals."),
        Rule("two-installations", FEEDER, "Two installations that take turns are told, and the feeder is held."),
        # -- feeding
        Rule("dispense", FEEDER, "`dispense` gives one dose of `target_g`, told with cause `command`."),
        Rule("dose-time", FEEDER, "A device whose clock is set gives each dose its `at_ms` in UNIX milliseconds."),
        Rule("meal", FEEDER, "A meal of the plan is fed at its time, with its id and cause `plan`."),
        Rule("meal-once", FEEDER, "A meal id is fed at most once, whatever is repeated, restarted or moved."),
        Rule("meal-past", FEEDER, "A meal that is past (two hours ago) is not fed."),
        Rule("cap-command", FEEDER, "A day's cap_g is enforced on the feeder over commands, told as `capped`."),
        Rule("cap-meal", FEEDER, "A day's cap_g is enforced on the feeder over meals."),
        Rule("cap-restart", FEEDER, "A day's cap_g is enforced across restarts."),
        Rule("fallback", FEEDER, "When the meals run out the fallback is fed, each with an id and cause `fallback`."),
        Rule("fallback-until", FEEDER, "The fallback ends at `until_ms`."),
        # -- the journal
        Rule("dose-seq", FEEDER, "`seq` counts without gaps, is never used again and survives restarts."),
        Rule("dose-same", FEEDER, "A dose that is told again is told the same: (device, journal, seq) identifies it."),
        Rule("resend", FEEDER, "`resend` gives again what is still held, and is answered."),
        Rule("repeated", FEEDER, "The device keeps, and sends again after a connect, every dose not yet received."),
        Rule("received", FEEDER, "A dose that down/received covers is not sent again."),
        Rule("received-foreign", FEEDER, "A down/received of another journal makes it forget nothing."),
        Rule(
            "received-future",
            FEEDER,
            "A down/received beyond the last dose makes it forget none that is still to come.",
        ),
        # -- samples
        Rule("samples", PROBE, "A probe sends its samples under up/samples."),
        Rule("senml", PROBE, "up/samples is a SenML pack as RFC 8428 describes it, in JSON."),
        Rule("senml-units", PROBE, "`temperature` is in Cel, `conductivity` in S/m, `voltage` in V; numbers all."),
        Rule(
            "senml-time",
            PROBE,
            "Base time in whole seconds where the clock is set; else times relative to sending, and `boot` and "
            "`uptime_ms` in the first record.",
        ),
        # -- by hand
        Rule(
            "power-cut",
            FEEDER,
            "The feeder writes the dose to flash before it moves the motor, and its end after.",
            "command a dose of some seconds, pull the plug while the motor turns: after the start it must tell that "
            "dose as `interrupted`, and the cap must count it in full.",
        ),
        Rule(
            "last-will",
            BOTH,
            "When the connection is lost without a word, the broker tells the last will.",
            "pull the plug and watch up/status: online: false must come within one and a half keep-alive times.",
        ),
        Rule(
            "over",
            FEEDER,
            "A dose that gave clearly too much ends as `over`; two in a row stop feeding with a fault.",
            "let the device believe a quarter of its true gain and command two doses: both end as `over`, a fault "
            "comes, and a third command ends as `held`.",
        ),
        Rule(
            "loss",
            FEEDER,
            "Food that leaves without steps counts under the cap and stops feeding with a fault.",
            "take a spoonful out of the hopper by hand: a fault must come, and the next command ends as `held`.",
        ),
        Rule(
            "held-button",
            FEEDER,
            "Held means nothing moves, from the button either.",
            "conform leaves the device held: press its button now. Nothing may move.",
        ),
        Rule(
            "counter",
            FEEDER,
            "The day's counter is never reset twice within 20 hours.",
            "set the device's clock a day ahead twice in a row with the cap reached: only the first may give food.",
        ),
        Rule(
            "blind-fallback",
            FEEDER,
            "Without any clock: `daily_g` once per 24 hours of counted uptime, for at most `blind_days`.",
            "with the clock's battery out and the network off, count its meals over three days and some restarts.",
        ),
        Rule(
            "meal-restart",
            FEEDER,
            "A meal that is under way when power goes is not fed again after the start.",
            "pull the plug in the middle of a meal: after the start that meal's id must not be fed.",
        ),
    )
}


def for_kind(kind: str) -> list[Rule]:
    return [rule for rule in RULES.values() if kind in rule.kinds]
