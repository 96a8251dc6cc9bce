"""A feeder's report in a real browser: for everyone, at every width, on paper, without scripts."""

import re
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import PANTRY, WINDOW, House
from playwright.sync_api import Browser, Page, expect

pytest_plugins = ["pages_fixtures"]


def address(house: House, tank: str) -> str:
    """The spring week's report: at the window all is well, in the pantry a dose has no weight."""
    return f"{house.url}/feeders/feeder-{tank}/report?start=2026-03-02&end=2026-03-08"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("tank", [WINDOW, PANTRY])
def test_axe_finds_nothing(spring: House, page: Page, tank: str, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.2 A and AA, and the one for targets of 24 px (2.5.8), which is off by default.
    page.emulate_media(color_scheme=scheme)
    for width in (320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        page.goto(address(spring, tank))
        found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
        assert found.violations_count == 0, f"at {width} px: {found.generate_report()}"


def test_no_width_makes_the_page_scroll_sideways(spring: House, page: Page) -> None:
    for width in (320, 480, 768, 1024, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        for tank in (WINDOW, PANTRY):
            page.goto(address(spring, tank))
            assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{tank} at {width} px"


def test_a_week_prints_on_two_sheets_and_nothing_is_cut_off(spring: House, page: Page) -> None:
    page.goto(address(spring, WINDOW))
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) <= 2
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 718, "height": 1000})  # 190 mm, as A4 has between margins of 10 mm
    assert page.evaluate("document.documentElement.scrollWidth") <= 718
    cut = "[...document.querySelectorAll('section')].filter(s => s.scrollWidth > s.clientWidth).length"
    assert page.evaluate(cut) == 0
    expect(page.get_by_role("button", name="Show")).to_be_hidden()


def test_another_period_is_chosen_without_scripts(spring: House, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(address(spring, WINDOW))
        expect(page.locator("table.tickets tbody tr")).to_have_count(14)
        page.get_by_label("From").fill("2026-03-03")
        page.get_by_label("To").fill("2026-03-04")
        page.get_by_role("button", name="Show").click()
        expect(page.locator("table.tickets tbody tr")).to_have_count(4)
        with page.expect_download() as download:
            page.get_by_role("link", name="CSV").click()
        assert download.value.suggested_filename == f"feeder-{WINDOW}-2026-03-03-2026-03-04.csv"


def test_what_needs_a_person_is_coloured(spring: House, page: Page) -> None:
    page.goto(address(spring, PANTRY))
    expect(page.locator("table.tickets .attend", has_text="not weighed")).to_have_count(1)
