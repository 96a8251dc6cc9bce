"""A portion drawn at true scale: mass, bulk density and the drawing must say the same volume."""

import math
import re

import pytest

from tareline.web.svg.portions import heap, picture


def volume_ml(side: str) -> float:
    """The volume that the drawn side view sweeps, by Pappus: an area times the way of its centroid (ISO 80000-2 units).

    The half of the triangle that turns about the heap's axis has the area r h / 2, its centroid lies r / 3 away.
    """
    (x0, base), (_, top), (x1, _) = ((float(x), float(y)) for x, y in re.findall(r"([\d.]+) ([\d.]+)", side))
    radius, height = (x1 - x0) / 2, base - top
    return (radius * height / 2) * 2 * math.pi * (radius / 3) / 1000


@pytest.mark.parametrize("mass_g", [0.01, 0.05, 0.3, 1.0])
@pytest.mark.parametrize("density", [0.25, 0.45, 0.7])
def test_what_is_drawn_holds_the_portion(mass_g: float, density: float) -> None:
    drawn = picture(heap(mass_g, density))
    assert drawn is not None
    assert volume_ml(drawn.side) * density == pytest.approx(mass_g, rel=2e-3)
    x0, x1 = float(drawn.side[1:].split()[0]), float(drawn.side.split("L")[2].split()[0])
    assert 2 * drawn.radius_mm == pytest.approx(x1 - x0, abs=2e-3), "both views are equally wide"


def test_a_millilitre_makes_a_heap_of_22_mm() -> None:
    """By hand, from V = pi r^3 tan(35 deg) / 3 = 1 cm3: r = (3 / (pi 0.70021))^(1/3) = 1.1090 cm."""
    found = heap(0.5, 0.5)
    assert found.volume_ml == 1.0
    assert found.radius_mm == pytest.approx(11.09, abs=0.005)
    assert found.height_mm == pytest.approx(11.09 * 0.70021, abs=0.005)


def test_both_views_stay_within_their_picture() -> None:
    drawn = picture(heap(0.3, 0.4))
    assert drawn is not None
    xs = [float(x) for x, _ in re.findall(r"([\d.]+) ([\d.]+)", drawn.side)]
    assert min(xs) > 0
    assert max(xs) < drawn.centre[0] - drawn.radius_mm, "the views do not touch"
    assert drawn.centre[0] + drawn.radius_mm < drawn.width_mm
    assert drawn.centre[1] + drawn.radius_mm < drawn.height_mm


def test_a_heap_that_does_not_fit_is_not_drawn() -> None:
    assert picture(heap(3.0, 0.4)) is not None
    assert picture(heap(5.0, 0.4)) is None
