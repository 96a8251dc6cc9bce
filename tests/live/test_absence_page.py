"""An absence in a real browser: planned and ended on its page, and its sheet on paper, one page at true scale."""

import math
import re
from collections.abc import Sequence
from typing import Any

import pypdfium2
import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import Corner
from playwright.sync_api import Page, expect

pytest_plugins = ["pages_fixtures"]

MM_PER_POINT = 25.4 / 72  # PDF user space (ISO 32000-1, 8.3.2.3)
A4_MM = (210.0, 297.0)  # ISO 216
DENSITY = 0.45
PATH = 2  # the kind of page object that a drawing is


@pytest.fixture
def away(corner: Corner) -> Corner:
    """A corner whose food has a bulk density, with an absence of three weeks from 10 March at 0.4 g a day."""
    food = f"crumbs-{corner.tank}"
    corner.house.post("foods", id=food, name="Plain crumbs", protein_percent=40, bulk_density_g_per_ml=DENSITY)
    put(corner, f"feeders/{corner.feeder}", tank=corner.tank, food=food)
    put(corner, f"tanks/{corner.tank}/absence", start="2026-03-10", end="2026-03-30", daily_g=0.4, tell="the desk")
    return corner


def put(corner: Corner, path: str, **body: Any) -> dict[str, Any]:
    answer = corner.house.api.put(path, json=body)
    assert answer.is_success, answer.text
    return answer.json()


def printed(page: Page, corner: Corner) -> tuple[int, tuple[float, float], list[tuple[float, float]]]:
    """Pages of the sheet on paper, their size, and the width and height of everything drawn on the first, in mm."""
    page.goto(f"{corner.page}/absence/sheet")
    with pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True)) as paper:
        first = paper[0]
        size = tuple(side * MM_PER_POINT for side in first.get_size())
        boxes = [one.get_bounds() for one in first.get_objects(filter=[PATH])]
        drawn = [((right - left) * MM_PER_POINT, (top - bottom) * MM_PER_POINT) for left, bottom, right, top in boxes]
        return len(paper), size, drawn


def drawn_like(drawn: Sequence[tuple[float, float]], width: float, height: float) -> bool:
    """Whether something of a size is there: to 0.3 mm, which a printer's ruler cannot tell, and half a line's width."""
    return any(abs(w - width) < 0.3 and abs(h - height) < 0.3 for w, h in drawn)


# -- on paper ----------------------------------------------------------------------------------------------------------


def test_the_sheet_is_one_page_of_a4_with_everything_at_true_scale(away: Corner, page: Page) -> None:
    pages, size, drawn = printed(page, away)
    assert pages == 1
    assert size == pytest.approx(A4_MM, abs=0.2)
    assert drawn_like(drawn, 50, 1), "the bar to check with a ruler"
    # 0.2 g a meal: a cone of mass / bulk density, V = pi r^2 h / 3, at 35 degrees (by hand, not by the code)
    radius = 10 * (3 * 0.2 / DENSITY / (math.pi * math.tan(math.radians(35)))) ** (1 / 3)
    assert drawn_like(drawn, 2 * radius, radius * math.tan(math.radians(35))), "the heap from the side"
    assert drawn_like(drawn, 2 * radius, 2 * radius), "and from above"


def test_a_drawing_that_were_a_tenth_too_large_would_be_seen(away: Corner, page: Page) -> None:
    page.add_init_script("document.addEventListener('DOMContentLoaded', () => document.body.style.zoom = 1.1)")
    _, _, drawn = printed(page, away)
    assert not drawn_like(drawn, 50, 1)
    assert drawn_like(drawn, 55, 1.1)


@pytest.mark.parametrize("daily_g", [0.4, 30.0])
def test_the_sheet_stays_one_page_with_as_many_meals_as_there_can_be(away: Corner, page: Page, daily_g: float) -> None:
    """28 meals of two feeders, all different, tiny or too large to be drawn."""
    second = f"second-{away.tank}"
    away.house.post("feeders", id=second, tank=away.tank, food=f"crumbs-{away.tank}")
    meals = [
        {"at": f"{8 + i:02}:00", "share": (1 + i) / 210, "feeder": feeder}
        for i in range(14)
        for feeder in (away.feeder, second)
    ]
    put(away, f"tanks/{away.tank}/ration", daily_g=60.0, cap_g=60.0, meals=meals, confirm=True)
    put(away, f"tanks/{away.tank}", name="W" * 40, volume_l=54, timezone="Europe/Berlin")
    put(away, f"tanks/{away.tank}/absence", start="2026-03-10", end="2026-03-30", daily_g=daily_g)
    assert printed(page, away)[0] == 1
    shown = page.locator(".away").inner_text()
    for i in range(14):
        assert f"{8 + i:02}:00" in shown


def test_the_sheet_says_what_to_do_and_what_not(away: Corner, page: Page) -> None:
    page.goto(f"{away.page}/absence/sheet")
    sheet = page.locator(".away")
    for words in ("10 March 2026 to 30 March 2026", "08:00, 18:00: 0.2 g of Plain crumbs",
                  "returns on 31 March 2026",
                  "The feeder feeds the animals; a fish that begs is not hungry", "Pull its plug and call", "the desk",
                  "unplug heater, filter and lamp", "Every cable hangs in a loop"):  # fmt: skip
        expect(sheet).to_contain_text(words)
    lines = page.locator(".call dd").all()
    assert len(lines) == 3
    assert all(line.inner_text() == "" for line in lines), "telephone lines are left blank"


def test_a_food_of_unknown_density_is_not_drawn_and_that_is_said(corner: Corner, page: Page) -> None:
    put(corner, f"tanks/{corner.tank}/absence", start="2026-03-10", end="2026-03-12", daily_g=0.4)
    page.goto(f"{corner.page}/absence/sheet")
    expect(page.locator(".away")).to_contain_text("Not drawn where the food's bulk density is unknown")
    expect(page.locator(".portions li, #check-bar")).to_have_count(0)


def test_there_is_no_sheet_without_an_absence(corner: Corner, page: Page) -> None:
    answer = page.goto(f"{corner.page}/absence/sheet")
    assert answer is not None
    assert answer.status == 404
    expect(page.locator("main")).to_contain_text("No absence is planned")


# -- on the page -------------------------------------------------------------------------------------------------------


def test_an_absence_is_planned_and_ended_on_its_page(corner: Corner, page: Page) -> None:
    page.goto(f"{corner.page}/absence")
    page.get_by_label("First day away").fill("2026-03-10")
    page.get_by_label("Last day away").fill("2026-03-12")
    ration = page.get_by_label("Ration meanwhile, a day")
    ration.fill("0,7")
    page.get_by_role("button", name="Plan the absence").click()
    expect(ration).to_be_focused()
    expect(ration).to_have_value("0,7")
    expect(ration).to_have_accessible_description(re.compile("at most the ration, 0.6 g a day; found 0.7 g"))
    assert corner.ledger("absence") == []
    ration.fill("0,3")
    page.get_by_label("Who plans this").fill("late desk")
    page.get_by_role("button", name="Plan the absence").click()
    expect(page.get_by_role("status")).to_contain_text("The absence is recorded")
    (entered,) = corner.ledger("absence")
    assert (entered["start"], entered["end"], entered["daily_g"], entered["by"]) == (
        "2026-03-10", "2026-03-12", 0.3, "late desk",
    )  # fmt: skip
    page.get_by_role("button", name="End it").click()
    expect(page.get_by_role("status")).to_contain_text("The end of the absence")
    expect(page.locator("#now-title")).to_have_text("None is planned")


def test_the_same_is_planned_and_ended_over_http(corner: Corner) -> None:
    path = f"tanks/{corner.tank}/absence"
    assert corner.house.api.get(path).json()["state"] == "none"
    made = put(corner, path, start="2026-03-08", end="2026-03-12", daily_g=0.3, tell="the desk")
    assert (made["state"], made["daily_g"], made["cap_g"], made["tell"]) == (
        "running", 0.3, pytest.approx(0.45), "the desk",
    )  # fmt: skip
    assert corner.house.api.get(path).json() == made
    assert corner.house.api.get(f"tanks/{corner.tank}/ration").json()["today"]["daily_g"] == 0.3
    ended = corner.house.api.delete(path, params={"by": "late desk"}).json()
    assert (ended["state"], ended["end"]) == ("running", "2026-03-08"), "it ends with the day"
    refused = corner.house.api.put(path, json={"start": "2026-03-10", "end": "2026-03-12", "daily_g": 0.7})
    assert (refused.status_code, refused.json()["detail"][:7]) == (409, "daily_g")
    assert corner.house.api.get("tanks/none/absence").status_code == 404
    assert corner.house.api.get("tanks/none/due").status_code == 404


def test_the_overview_tells_what_is_due_and_of_the_absence(away: Corner, page: Page) -> None:
    page.goto(away.house.url)
    box = page.locator(f"#due-{away.tank}")
    first = away.house.api.get(f"tanks/{away.tank}/due").json()[0]
    expect(box.locator("li").first).to_contain_text(first["do"], ignore_case=True)
    expect(box.locator("li").first).to_contain_text(first["why"])
    expect(box).to_contain_text("absence Tue 10 Mar to Mon 30 Mar, 0.40 g a day")


def test_both_pages_are_legible_for_everyone_and_narrow(away: Corner, page: Page) -> None:
    # WCAG 2.2: 1.4.10 at 320 CSS pixels, and axe-core's rules with targets of 24 px (2.5.8).
    for path in ("/absence", "/absence/sheet"):
        page.set_viewport_size({"width": 320, "height": 800})
        page.goto(away.page + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, path
        found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
        assert found.violations_count == 0, found.generate_report()
