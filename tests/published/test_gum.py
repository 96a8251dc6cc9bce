"""Deviations of sums against the GUM (JCGM 100:2008), 5.1.2: independent contributions add in quadrature.

Worked figures of annex H.1 (text seen in a stored copy): u(d) of 9.68 nm from 5.8, 3.9 and 6.7 nm, and the combined
31.66 nm from 25, 9.68, 2.887 and 16.599 nm. The arithmetic is the same for nanometres and for grams.
"""

from collections.abc import Sequence
from datetime import date

import pytest

from tareline.core.feeding.books import Dispensed, day_book
from tareline.core.feeding.doses import Dose, HandFeed, total

WORKED = [((5.8, 3.9, 6.7), 9.68), ((25.0, 9.68, 2.887, 16.599), 31.66)]
DAY_MS = 86_400_000
MONDAY = date(2026, 5, 4)
MONDAY_MS = 1_777_852_800_000


def doses(deviations: Sequence[float], apart_ms: int) -> list[Dose]:
    return [
        Dose(i, MONDAY_MS + i * apart_ms, "a", "ok", 0.5, 50, 12.5, 12.0, sd_g) for i, sd_g in enumerate(deviations)
    ]


@pytest.mark.parametrize(("deviations", "combined"), WORKED)
def test_a_sum_of_doses(deviations: Sequence[float], combined: float) -> None:
    fed = total(doses(deviations, 1))
    assert fed.sd_g == pytest.approx(combined, abs=0.005)
    assert fed.mass_g == 0.5 * len(deviations)


@pytest.mark.parametrize(("deviations", "combined"), WORKED)
def test_a_days_hand_feeds(deviations: Sequence[float], combined: float) -> None:
    feeds = [HandFeed(i, MONDAY_MS + i, 0.2, sd_g) for i, sd_g in enumerate(deviations)]
    nothing = Dispensed(0.0, 0.0, False, False)
    book = day_book(MONDAY, "UTC", [], [], feeds, [], 0.5, nothing, 0.0, MONDAY_MS + DAY_MS)
    assert book.handfed_sd_g == pytest.approx(combined, abs=0.005)
