"""`tareline conform` on a terminal: the warning, the progress, and what was found out."""

import textwrap
from pathlib import Path

import typer
from rich.console import Console

from tareline.conform import run
from tareline.conform.bench import MOST_DOSES, Options
from tareline.conform.rules import RULES, for_kind
from tareline.conform.verdicts import Verdicts
from tareline.conform.wire import Wire

WARNING = """\
This makes the feeder {device} move: about 20 doses of {dose:g} g.
- Put a dish under it, never a tank. Keep animals, children's hands and water away from it.
- It asks for at most {most:g} g ({doses} doses) and sets the cap of the day to {cap:g} g; a feeder that breaks the
  rules may give more: stay beside it, with the plug in reach.
- Doses that the device still keeps for a service are taken, and lost to that service.
- Afterwards the device has no meals, no fallback, a cap of nothing, and is held, until a service says otherwise.
"""


def list_rules(kind: str | None) -> None:
    """Print every rule, or those of a kind; and how a person tries those that a program cannot."""
    for rule in for_kind(kind) if kind else RULES.values():
        typer.echo(f"{rule.id} ({', '.join(rule.kinds)}): {rule.text}")
        if rule.by_hand:
            typer.echo(textwrap.indent(textwrap.fill(f"By hand: {rule.by_hand}", 110), "    "))


def run_aloud(
    url: str,
    root: str,
    device: str,
    kind: str | None,
    ca: Path | None,
    take_over: bool,
    sure: bool,
    **numbers: float,
) -> int:
    """Warn, ask, try, tell; returns the exit code: 0 where no rule was broken and the run came to its end.

    Raises wire.Ended where the device cannot be tried at all.
    """
    console = Console(highlight=False, soft_wrap=True)
    wire = Wire(url, root, device, ca)
    try:
        found = run.find_kind(wire, kind)
        if not take_over:
            run.refuse_installations(wire)
        options = Options(found, **numbers)
        if found == "feeder":
            cap_g = options.fed_today_g + options.most_g
            console.print(
                WARNING.format(device=device, dose=options.dose_g, most=options.most_g, doses=MOST_DOSES, cap=cap_g)
            )
            if not sure and not typer.confirm("Is nothing but a dish under it?"):
                return 2
        verdicts = _with_progress(console, wire, options)
    finally:
        wire.close()
    _tell(console, verdicts)
    if found == "feeder":
        console.print(f"The device {device} is left held, with no meals. A further run today needs --fed-today-g.")
    if verdicts.ended:
        console.print(f"The run ended early: {verdicts.ended}")
    return 1 if verdicts.breaches or verdicts.ended else 0


def _with_progress(console: Console, wire: Wire, options: Options) -> Verdicts:
    cases = run.CASES[options.kind]
    titles = [case.title for case in cases]
    with console.status(f"1 of {len(titles)}: {titles[0]}") as status:

        def tell(case: run.Case, verdicts: Verdicts) -> None:
            number = titles.index(case.title) + 1
            broken = [rule for rule in case.rules if rule in verdicts.breaches]
            kept = [rule for rule in case.rules if rule in verdicts.held and rule not in broken]
            said = [f"{len(kept)} kept"] * bool(kept) + [f"broken: {', '.join(broken)}"] * bool(broken)
            console.print(f"{number:2} of {len(titles)}  {case.title}: {'; '.join(said) or 'not tried'}")
            if number < len(titles):
                status.update(f"{number + 1} of {len(titles)}: {titles[number]}")

        return run.run(wire, options, tell)


def _tell(console: Console, verdicts: Verdicts) -> None:
    """The rules broken with what was sent, expected and came; those not tried; the sum."""
    broken, untried = verdicts.broken(), verdicts.not_tried()
    for rule in broken:
        breach = verdicts.breaches[rule.id]
        console.print(f"\n[bold]BROKEN  {rule.id}[/bold]", markup=True)
        for name, text in (
            ("rule", rule.text), ("sent", breach.sent), ("expected", breach.expected), ("came", breach.came)
        ):  # fmt: skip
            if text:
                console.print(textwrap.indent(f"{name}: {text}", "    "), markup=False)
    if untried:
        console.print("\nNot tried:")
    for rule, why in untried:
        console.print(textwrap.indent(f"{rule.id}: {rule.text} ({why})", "    "), markup=False)
    kept = len(verdicts.kept())
    console.print(f"\n{kept} rules kept, {len(broken)} broken, {len(untried)} not tried.")
