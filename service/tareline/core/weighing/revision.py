"""Changes in the books of past days, and the entries that caused them."""

from collections.abc import Sequence
from dataclasses import dataclass

from tareline.core.weighing.estimate import Sums
from tareline.core.weighing.history import History

VISIBLE = 0.1  # standard deviations: smaller changes are not reported (judgement)


@dataclass(frozen=True, slots=True)
class Revision:
    """A time span whose sum has changed: before and after in grams with standard deviations, and the entries that
    caused it."""

    start_ms: int
    end_ms: int
    before_g: float
    before_sd_g: float
    after_g: float
    after_sd_g: float
    entries: tuple[int, ...]


def changed_entries(before: History, after: History) -> tuple[int, ...]:
    """The entries that occur in only one of two histories, or differ between them."""

    def said(history: History) -> set[object]:
        return {*history.doses, *history.weighins, *history.refills, *history.handlings}

    different = said(before) ^ said(after)
    return tuple(sorted({event.entry for event in different}))  # type: ignore[attr-defined]


def revisions(spans: Sequence[tuple[int, int]], before: Sums, after: Sums, entries: tuple[int, ...]) -> list[Revision]:
    """The spans whose sum or standard deviation has visibly changed from one estimate to another."""
    old = zip(before.mass_g.tolist(), before.sd_g.tolist(), strict=True)
    new = zip(after.mass_g.tolist(), after.sd_g.tolist(), strict=True)
    found = []
    for (start_ms, end_ms), (old_g, old_sd), (new_g, new_sd) in zip(spans, old, new, strict=True):
        least = VISIBLE * min(old_sd, new_sd)
        if abs(new_g - old_g) > least or abs(new_sd - old_sd) > least:
            found.append(Revision(start_ms, end_ms, old_g, old_sd, new_g, new_sd, entries))
    return found
