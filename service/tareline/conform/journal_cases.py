"""How a feeder keeps its doses until the service has them, and what it says over a whole run."""

from typing import Any

from tareline.conform.bench import Bench, Unfit
from tareline.conform.common_cases import retold


def _again(bench: Bench, seq: int, since: int, timeout_s: float | None = None) -> Any:
    return bench.message("dose", since, timeout_s, seq=seq)


def _resent(bench: Bench, seq: int) -> bool:
    """Ask for this dose again; whether it came, and whether that was answered."""
    since = bench.mark()
    asked = bench.command("resend", None, **{"from": seq, "to": seq})
    answer = bench.message("reply", since, id=asked["id"])
    came = _again(bench, seq, since) if answer is not None else None
    return came is not None and answer.get("ok") is True


def journal(bench: Bench) -> None:
    """Doses that are not received; each rule is tried by what the one before has shown to work."""
    bench.ready()
    bench.receives = False
    _, first = bench.dispense()
    if first is None or not isinstance(first.get("seq"), int):
        raise Unfit("no dose was told")
    seq: int = first["seq"]
    resends = bench.judge("resend", _resent(bench, seq), f"up/reply with ok: true, and the dose {seq} again")
    bench.say("received", {"journal": "conform-no-such-journal", "seq": seq + 1000})
    bench.settle()
    if resends:
        bench.judge("received-foreign", _resent(bench, seq), f"the dose {seq} again: it was not received")
    else:
        bench.verdicts.leave("received-foreign", "`resend` does not work, by which it would be seen")
    since = bench.mark()
    bench.restart()
    repeats = "received-foreign" not in bench.verdicts.breaches and bench.judge(
        "repeated", _again(bench, seq, since) is not None, f"the dose {seq} again after the connect"
    )
    _, second = bench.dispense()
    if second is None or not isinstance(second.get("seq"), int):
        raise Unfit("no dose was told after a restart")
    bench.say("received", {"journal": bench.journal, "seq": seq}, retain=True)
    bench.settle()
    since = bench.mark()
    bench.restart()
    if repeats:
        _again(bench, second["seq"], since)  # what lies above comes again; after it nothing of before can come
    bench.settle()
    gone = not bench.all("dose", since, seq=seq)
    bench.judge("received", gone, f"the dose {seq} not again: it was received")
    bench.begin()
    bench.say("received", {"journal": bench.journal, "seq": second["seq"] + 1000})
    bench.settle()
    _, third = bench.dispense()
    if third is None:
        bench.judge("received-future", False, "a dose told as ever")
    elif resends and isinstance(third.get("seq"), int):
        # A device that always leaves gaps breaks another rule; here it must have jumped.
        if third["seq"] - second["seq"] > second["seq"] - seq:
            bench.excused = set(range(second["seq"] + 1, third["seq"]))
        kept = not bench.excused and _resent(bench, third["seq"])
        expected = f"the dose after it told with seq {second['seq'] + 1}, kept, and given again"
        bench.judge("received-future", kept, expected)
    bench.receives = True
    bench.say("received", {"journal": bench.journal, "seq": bench.last_seq}, retain=True)
    bench.settle()


def whole_run(bench: Bench, first_seq: int | None) -> None:
    """What all doses of a run say together. first_seq: the lowest number that a new dose may have, if it is known."""
    told: dict[tuple[Any, Any], dict[str, Any]] = {}
    for dose in retold(bench):
        key = (dose.get("journal"), dose.get("seq"))
        if key in told:
            bench.judge("dose-same", told[key] == dose, f"always the same of dose {key[1]}: {told[key]}", str(dose), "")
        told.setdefault(key, dose)
    seqs = sorted({seq for _, seq in told if isinstance(seq, int)})
    if not seqs:
        bench.verdicts.leave("dose-seq", "no dose was told")
        return
    new = [seq for seq in seqs if first_seq is None or seq >= first_seq]
    start = first_seq if first_seq is not None else seqs[0]
    missing = sorted(set(range(start, max(seqs) + 1)) - set(new) - bench.excused)
    journals = {name for name, _ in told}
    expected = f"every number from {start} to {max(seqs)} told, in one journal"
    came = f"missing: {missing[:10]}; journals: {sorted(map(str, journals))}"
    bench.judge("dose-seq", not missing and len(journals) == 1, expected, came, "")
