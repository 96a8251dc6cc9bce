"""What a reading says of the water: probabilities that sum to one, floors, and edges of charts and instruments."""

import numpy as np
import pytest

from tareline.core.load import likelihood
from tareline.core.load.record import RecordedReading

CHART = (0.0, 1.0, 2.0, 5.0, 10.0, 20.0)


def on_chart(value: float) -> RecordedReading:
    at = CHART.index(value)
    high = CHART[at + 1] if at + 1 < len(CHART) else None
    return RecordedReading(1.0, "nitrate", CHART[at - 1] if at else 0.0, high, value, at > 0)


def test_the_steps_of_a_chart_share_all_probability() -> None:
    water = np.array([[0.0, 0.3, 1.5, 4.0, 9.0, 60.0]]).repeat(len(CHART), axis=0)
    chances = likelihood.probability(likelihood.readings([on_chart(step) for step in CHART]), water)
    assert chances.sum(axis=0) == pytest.approx(1.0)
    assert np.all(chances > 0)


def test_the_nearest_step_is_the_most_probable() -> None:
    water = np.array([[0.1, 1.05, 2.2, 4.7, 10.5, 30.0]]).repeat(len(CHART), axis=0)
    chances = likelihood.probability(likelihood.readings([on_chart(step) for step in CHART]), water)
    assert list(chances.argmax(axis=0)) == [0, 1, 2, 3, 4, 5]


def test_no_reading_is_impossible() -> None:
    """The floor: no step of the chart below one in a hundred, however far the water is."""
    water = np.linspace(0.0, 100.0, 400)[None, :].repeat(len(CHART), axis=0)
    assert likelihood.probability(likelihood.readings([on_chart(step) for step in CHART]), water).min() > 0.005


def test_edges_lie_half_way_to_the_neighbouring_steps() -> None:
    assert likelihood.edges(on_chart(2.0)) == (1.5, 3.5)
    assert likelihood.edges(on_chart(0.0)) == (-np.inf, 0.5)
    assert likelihood.edges(on_chart(20.0)) == (15.0, np.inf)


def test_below_a_detection_limit_all_below_is_alike() -> None:
    """Detection limit 0.05 mg/l: nothing seen, the water in 0 to 0.05."""
    assert likelihood.edges(RecordedReading(1.0, "ammonia", 0.0, 0.05, 0.05, False)) == (-np.inf, 0.05)


def test_an_instrument_says_a_number() -> None:
    """1.24 mg/l with a resolution of 0.01: a normal error of floor and share about it."""
    readings = likelihood.readings([RecordedReading(1.0, "nitrate", 1.23, 1.25, 1.24)])
    water = np.linspace(0.2, 3.0, 281)[None, :]
    chances = likelihood.probability(readings, water)[0]
    assert water[0, chances.argmax()] == pytest.approx(1.24, abs=0.15)
    assert chances.max() > 5 * chances[0]


def test_a_reading_that_does_not_fit_is_probably_a_blunder() -> None:
    readings = likelihood.readings([on_chart(20.0), on_chart(1.0)])
    chance = likelihood.blunders(readings, np.full((2, 1), 1.0))
    assert chance[0, 0] > 0.99
    assert chance[1, 0] < 0.05
