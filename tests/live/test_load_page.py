"""The page of the load in a real browser: from a dose to the limit by clicking, the ramp's forms, and what if."""

from datetime import timedelta
from typing import Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import Corner, meal
from playwright.sync_api import Browser, Page, expect
from waiting import until

pytest_plugins = ["pages_fixtures"]

WEEKS = 6


def api(corner: Corner, path: str, **query: Any) -> dict[str, Any]:
    answer = corner.house.api.get(f"tanks/{corner.tank}/{path}", params=query)
    assert answer.is_success, answer.text
    return answer.json()


def fresh(corner: Corner) -> dict[str, Any]:
    def told() -> dict[str, Any] | None:
        found = api(corner, "load")
        return found if found["fresh"] else None

    return until(told, 60, "everything that was entered to be in the load")


@pytest.fixture
def known(corner: Corner) -> Corner:
    """A corner with a notebook of six weeks, in which a little nitrate stands still, and one weighed dose."""
    now = corner.house.now()
    for week in range(WEEKS, 0, -1):
        for day in range(0, 7, 2):
            at = (now - timedelta(days=7 * week - day)).isoformat()
            corner.post("handfeeds", mass_g=0.1, sd_g=0.01, at=at)
        at = (now - timedelta(days=7 * (week - 1), hours=5)).isoformat()
        for analyte in ("ammonia", "nitrite"):
            corner.post("readings", analyte=analyte, value=0, unit="mg/L", basis="N", above=0.25, at=at)
        corner.post("readings", analyte="nitrate", value=2, unit="mg/L", basis="ion", below=0, above=5, at=at)
    meal(corner.device, "2026-03-08T08:00:00+01:00", 30.0, 0.3)
    corner.device.wait_received()
    fresh(corner)
    return corner


def test_a_reader_comes_from_a_dose_to_the_limit_by_clicking(known: Corner, page: Page) -> None:
    page.goto(known.house.url)
    page.locator(f'.tank a[href="/tanks/{known.tank}"]').first.click()
    page.locator("#day-2026-03-08 summary").click()
    page.locator("#day-2026-03-08 .ticket-link").click()
    expect(page.locator(".ticket")).to_contain_text("30")
    page.get_by_role("link", name="How much food this tank can process").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("can process")
    told = api(known, "load")
    expect(page.locator("#limit .sentence")).to_contain_text(f"at least {told['limit_g_per_day']['p5']:.3g}")
    for line in told["evidence"]:
        expect(page.locator("#limit")).to_contain_text(line)
    page.locator("#limit").get_by_role("link", name="The doses, one by one").click()
    expect(page).to_have_url(f"{known.page}#doses")


def test_the_overview_and_the_week_lead_there(known: Corner, page: Page) -> None:
    for start in (known.house.url, known.page):
        page.goto(start)
        expect(page.locator(f'a[href="/tanks/{known.tank}/load"]').first).to_be_visible()


def test_without_any_reading_the_page_says_so_and_draws_no_zero(corner: Corner, page: Page) -> None:
    fresh(corner)
    page.goto(f"{corner.page}/load")
    expect(page.locator("#limit .sentence")).to_contain_text("Nitrate has not been measured yet")
    expect(page.locator("#limit table")).to_contain_text("unknown")
    expect(page.locator("svg.figures .whisker")).to_have_count(0)
    expect(page.locator("svg.figures text", has_text="unknown")).to_have_count(4)


def test_every_chart_has_a_table_that_says_the_same(known: Corner, page: Page) -> None:
    page.goto(f"{known.page}/load")
    page.locator("#road-table summary").click()
    ahead = api(known, "forecast")
    rows = page.locator("#road-table table").last.locator("tbody tr")
    expect(rows).to_have_count(8)
    nitrate = ahead["days"][55]["nitrate_mg_per_l"]
    expect(rows.last).to_contain_text(f"{nitrate['p5']:.2g} to {nitrate['p95']:.0f}")
    points = page.locator("svg.road.wide .point")
    expect(points).to_have_count(WEEKS)
    expect(page.locator("svg.road.wide .outer, svg.road.wide .inner")).to_have_count(2)
    label = page.locator("svg.road.wide").get_attribute("aria-label")
    assert label
    assert label.strip() == page.locator("#road .sentence").inner_text().strip()


def test_a_limit_that_is_open_is_drawn_as_an_arrow(known: Corner, page: Page) -> None:
    told = api(known, "load")["limit_g_per_day"]
    assert (told["found"], told["p95"]) == (False, None)
    page.goto(f"{known.page}/load")
    expect(page.locator("#limit table")).to_contain_text("at least")
    paths = page.locator("svg.figures .whisker").evaluate_all("all => all.map(one => one.getAttribute('d'))")
    assert any(path.count("L") == 2 for path in paths), "an arrow's head"


def test_what_if_is_answered_on_the_page_and_changes_nothing(known: Corner, page: Page) -> None:
    known.house.post("waters", id=f"soft-{known.tank}", name="Soft water", nitrate_mg_per_l=0)
    fresh(known)
    before = known.ledger("ration")
    page.goto(f"{known.page}/load")
    form = page.locator("#whatif")
    form.get_by_label("Ration, a day").fill("0,9")
    form.get_by_label("Days ahead").fill("21")
    form.get_by_label("Water change now").fill("20")
    form.get_by_label("With which water").select_option(label="Soft water")
    form.get_by_role("button").click()
    asked = api(known, "forecast", daily_g=0.9, days=21, change_l=20, water=f"soft-{known.tank}")
    answer = page.locator("#answer")
    expect(answer.get_by_role("status")).to_contain_text("after 21 days")
    expect(answer.locator("tbody tr")).to_have_count(3)
    expect(answer.locator("tbody tr").last).to_contain_text("0.9")
    assert asked["days"][-1]["daily_g"] == 0.9
    expect(form.get_by_label("Ration, a day")).to_have_value("0,9")
    assert known.ledger("ration") == before
    form.get_by_label("Days ahead").fill("4000")
    form.get_by_role("button").click()
    expect(page.locator("#whatif .field.wrong")).to_contain_text("expected 1 to 365; found 4000")
    expect(page.locator("#answer")).to_have_count(0)


def test_a_ramp_is_set_vetoed_and_stopped_on_the_page(known: Corner, page: Page) -> None:
    page.goto(f"{known.page}/load")
    expect(page.locator("#ramp")).to_contain_text("No ramp is set")
    form = page.locator("#ramp-form")
    form.get_by_label("Begin with, a day").fill("1.2")
    form.get_by_label("Each step").fill("0.05")
    form.get_by_label("Never over, a day").fill("2")
    form.get_by_role("button").click()
    expect(page.locator("#ramp-form .field.wrong")).to_contain_text("over 1.5 times")
    page.locator("#ramp-form").get_by_label("Begin with, a day").fill("0.6")
    page.locator("#ramp-form").get_by_role("button").click()
    expect(page.get_by_role("status").first).to_contain_text("The ramp is set")
    ramp = api(known, "ramp")
    assert (ramp["start_g"], ramp["step_g"], ramp["dwell_days"], ramp["consent"]) == (0.6, 0.05, 28.0, "ask")
    for text in ramp["waits_for"]:
        expect(page.locator("#ramp")).to_contain_text(text[1:])
    page.locator("#decision").get_by_label("Who decides").fill("late desk")
    page.get_by_role("button", name="Veto steps").click()
    expect(page.get_by_role("status").first).to_contain_text("vetoed")
    page.get_by_role("button", name="Stop the ramp").click()
    expect(page.locator("#ramp")).to_contain_text("It is stopped")
    assert [e["by"] for e in known.ledger("ramp") if e.get("decision") == "veto"] == ["late desk"]
    page.get_by_role("link", name="The record of the ramp").click()
    page.get_by_role("link", name="load and ramp").click()
    expect(page.locator("#ramp-title")).to_be_visible()


def test_it_is_complete_without_javascript(known: Corner, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{known.page}/load?asked=1&daily_g=0.4&days=14")
        expect(page.locator("#answer tbody tr")).to_have_count(2)
        expect(page.locator("#limit .sentence")).to_contain_text("The limit")
        page.goto(f"{known.page}/ramp")
        assert page.url.endswith("/load#ramp")


def test_it_is_legible_for_everyone_narrow_and_dark(known: Corner, page: Page) -> None:
    # WCAG 2.2: 1.4.10 at 320 CSS pixels, and axe-core's rules with targets of 24 px (2.5.8).
    looks: list[tuple[int, Literal["light", "dark"]]] = [(1280, "light"), (320, "light"), (320, "dark")]
    for width, scheme in looks:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{known.page}/load?asked=1&daily_g=0.4&days=14")
        page.locator("#road-table summary").click()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
        assert found.violations_count == 0, found.generate_report()
