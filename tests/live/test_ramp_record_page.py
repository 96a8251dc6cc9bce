"""The record of a ramp in a real browser: for everyone, at every width, and a whole year of it on one sheet."""

import re
from datetime import timedelta
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import Corner
from playwright.sync_api import Page, expect

pytest_plugins = ["pages_fixtures"]

FOUR_WEEKS_MS = 28 * 86_400_000
MEALS = [{"at": "08:00", "share": 0.5}, {"at": "18:00", "share": 0.5}]


def a_year(corner: Corner) -> Corner:
    """Thirteen rations, four weeks each, with a reading of ammonia, nitrite and nitrate in every one."""
    house = corner.house
    body = {"start_g": 0.6, "step_g": 0.05, "ceiling_g": 2.0}
    assert house.api.put(f"tanks/{corner.tank}/ramp", json=body).is_success
    corner.post("notes", kind="plants", text="planted to two thirds, stems and a carpet")
    corner.post("notes", kind="other", text="light: 8 hours at 60 %")
    for step in range(13):
        house.clock.at_ms += FOUR_WEEKS_MS
        for analyte, basis in (("ammonia", "N"), ("nitrite", "N"), ("nitrate", "ion")):
            corner.post(
                "readings", analyte=analyte, value=0.0 if basis == "N" else 2.5 * step, unit="mg/L", basis=basis
            )
        daily_g = round(0.65 + 0.05 * step, 2)
        answer = house.api.put(
            f"tanks/{corner.tank}/ration", json={"daily_g": daily_g, "cap_g": 2 * daily_g, "meals": MEALS}
        )
        assert answer.is_success, answer.text
    house.clock.at_ms += int(timedelta(days=2).total_seconds() * 1000)
    return corner


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(corner: Corner, page: Page, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.2 A and AA, and the one for targets of 24 px (2.5.8), which is off by default.
    a_year(corner)
    page.emulate_media(color_scheme=scheme)
    for width in (320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        page.goto(f"{corner.page}/ramp/record")
        found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
        assert found.violations_count == 0, f"at {width} px: {found.generate_report()}"
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_year_prints_on_one_sheet_and_nothing_is_cut_off(corner: Corner, page: Page) -> None:
    a_year(corner)
    page.goto(f"{corner.page}/ramp/record")
    expect(page.locator("tbody tr")).to_have_count(14)
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) == 1
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 718, "height": 1000})  # 190 mm, as A4 has between margins of 10 mm
    assert page.evaluate("document.documentElement.scrollWidth") <= 718
    cut = "[...document.querySelectorAll('section')].filter(s => s.scrollWidth > s.clientWidth).length"
    assert page.evaluate(cut) == 0


def test_it_tells_the_conditions_and_that_nothing_is_proven(corner: Corner, page: Page) -> None:
    a_year(corner)
    page.goto(f"{corner.page}/ramp/record")
    expect(page.get_by_role("heading", name="The conditions for which this is valid")).to_be_visible()
    expect(page.get_by_text("planted to two thirds, stems and a carpet")).to_be_visible()
    expect(page.get_by_text("light: 8 hours at 60 %")).to_be_visible()
    expect(page.get_by_text("nothing is proven yet")).to_be_visible()


def test_plants_light_and_a_harvest_go_from_register_and_form_to_the_record(corner: Corner, page: Page) -> None:
    house = corner.house
    tank = house.api.get(f"tanks/{corner.tank}").json()
    known = {name: tank[name] for name in ("name", "volume_l", "timezone")}
    dark = house.api.put(f"tanks/{corner.tank}", json={**known, "light_h_per_day": 25})
    assert (dark.status_code, dark.json()["errors"][0]["pointer"]) == (422, "#/light_h_per_day")
    fields = {"planted_area_cm2": 900, "light_h_per_day": 8.5}
    assert house.api.put(f"tanks/{corner.tank}", json={**known, **fields}).is_success
    house.api.put(f"tanks/{corner.tank}/ramp", json={"start_g": 0.6, "step_g": 0.05, "ceiling_g": 2.0})
    page.goto(f"{corner.page}/enter#note")
    page.locator("#note-kind").select_option("plants")
    page.locator("#note-text").fill("stems cut back")
    page.locator("#note-share").fill("0.1")
    page.get_by_role("button", name="Write down the note").click()
    expect(page.locator("#note-share-wrong")).to_contain_text("expected only for a harvest")
    expect(page.locator("#note-share")).to_have_value("0.1")
    page.locator("#note-kind").select_option("harvest")
    page.get_by_role("button", name="Write down the note").click()
    expect(page.get_by_role("status")).to_contain_text("The note is in the books")
    assert [(e["note_kind"], e["share"]) for e in corner.ledger("note")] == [("harvest", 0.1)]
    page.goto(f"{corner.page}/ramp/record")
    expect(page.get_by_text("900 cm² of the bottom")).to_be_visible()
    expect(page.get_by_text("8.5 h a day")).to_be_visible()
    expect(page.get_by_text("stems cut back (10 % of the plants)")).to_be_visible()
    page.goto(f"{corner.page}/load")
    expect(page.get_by_text("900 cm² planted · 8.5 h of light a day")).to_be_visible()


def test_a_tank_without_a_ramp_says_so(corner: Corner, page: Page) -> None:
    answer = page.goto(f"{corner.page}/ramp/record")
    assert answer is not None
    assert answer.status == 404
    expect(page.get_by_text("no ramp has been set")).to_be_visible()
