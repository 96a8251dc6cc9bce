"""The forms in a real browser: what a person types, what is refused and how, and what reaches the books."""

import re
from datetime import datetime
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import Corner, meal
from playwright.sync_api import Page, expect

pytest_plugins = ["pages_fixtures"]


def test_a_refused_form_keeps_what_was_typed_and_says_what_is_wrong(corner: Corner, page: Page) -> None:
    # WCAG 2.2, 3.3.1: the field in error is identified and described in text.
    before = corner.ledger("reading")
    page.goto(f"{corner.page}/enter")
    form = page.locator("form#reading")
    form.get_by_label("Kit").select_option("drops")
    form.get_by_label("Value").fill("3")
    form.get_by_label("Who").fill("the <b>morning</b> desk")
    form.get_by_role("button").click()
    value = form.get_by_label("Value")
    expect(value).to_be_focused()
    expect(value).to_have_value("3")
    expect(value).to_have_attribute("aria-invalid", "true")
    expect(value).to_have_accessible_description(re.compile("expected one of the kit's steps"))
    expect(form.get_by_label("Kit")).to_have_value("drops")
    expect(form.get_by_label("Who")).to_have_value("the <b>morning</b> desk")
    assert Axe().run(page).violations_count == 0
    assert corner.ledger("reading") == before


@pytest.mark.parametrize(
    ("typed", "what"),
    [("1,000", "1000"), ("0x1", "found '0x1'"), ("1e5", "found '1e5'"), ("nan", "found 'nan'"), ("", "found nothing")],
)
def test_a_number_that_is_in_doubt_is_asked_again(corner: Corner, page: Page, typed: str, what: str) -> None:
    page.goto(f"{corner.page}/enter")
    page.locator("#waterchange-volume").fill(typed)
    page.get_by_role("button", name="Write down the water change").click()
    expect(page.locator("#waterchange-volume")).to_have_accessible_description(re.compile(what))


def test_a_comma_is_a_decimal_point_and_a_time_is_the_tanks_own(corner: Corner, page: Page) -> None:
    page.goto(f"{corner.page}/enter")
    form = page.locator("form#reading")
    form.get_by_label("What was measured").select_option("nitrate")
    form.get_by_label("Value").fill("12,5")
    form.get_by_label("Nitrogen stated as").select_option("ion")
    form.get_by_label("When").fill("2026-03-05T16:05")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The reading is in the books.")
    (entered,) = [one for one in corner.ledger("reading") if one["analyte"] == "nitrate"]
    assert (entered["value"], entered["basis"]) == (12.5, "ion")
    assert datetime.fromisoformat(entered["at"]) == datetime.fromisoformat("2026-03-05T16:05:00+01:00")


def test_a_time_that_the_clocks_skipped_is_refused(corner: Corner, page: Page) -> None:
    # Europe/Berlin 2025-03-30 02:30 does not exist: IANA time zone database.
    page.goto(f"{corner.page}/enter")
    page.locator("#waterchange-volume").fill("10")
    page.locator("#waterchange-at").fill("2025-03-30T02:30")
    page.get_by_role("button", name="Write down the water change").click()
    expect(page.locator("#waterchange-at")).to_have_accessible_description(re.compile("skipped 02:30"))


def test_a_hand_feed_is_entered_below_what_was_fed_today(corner: Corner, page: Page) -> None:
    at = corner.house.now()
    meal(corner.device, at.isoformat(), 40.0, 0.25)
    corner.device.wait_received()
    page.goto(f"{corner.page}/enter")
    form = page.locator("form#handfeed")
    expect(form.locator("#fed-today")).to_contain_text(f"{at:%H:%M} {corner.feeder}: 0.25 g")
    first = form.locator("#fed-today, input:not([type=hidden])").first
    expect(first).to_have_id("fed-today")
    form.get_by_label("Mass").fill("0.01")
    form.get_by_label("Who").fill("evening desk")
    form.get_by_role("button").click()
    page.goto(f"{corner.page}/enter")
    expect(page.locator("#fed-today")).to_contain_text("hand, evening desk: 0.01 g")


def test_other_entries_reach_the_books(corner: Corner, page: Page) -> None:
    def send(what: str, fields: dict[str, str], kind: str) -> dict[str, Any]:
        page.goto(f"{corner.page}/enter")
        for name, value in fields.items():
            control = page.locator(f"#{what}-{name}")
            if control.evaluate("e => e.tagName") == "SELECT":
                control.select_option(value)
            else:
                control.fill(value)
        page.locator(f"form#{what} button").click()
        expect(page.get_by_role("status")).to_contain_text("in the books")
        return corner.ledger(kind)[-1]

    assert send("weighin", {"feeder": corner.feeder, "mass_g": "33,25", "sd_g": "0,05"}, "weighin")["mass_g"] == 33.25
    assert send("refill", {"feeder": corner.feeder, "added_g": "10"}, "refill")["added_g"] == 10
    assert send("waterchange", {"volume": "15"}, "water-change")["volume_l"] == 15
    assert send("topup", {"volume": "1,5"}, "top-up")["volume_l"] == 1.5
    assert send("note", {"kind": "filter", "text": "rinsed", "count": "1"}, "note")["text"] == "rinsed"


def test_a_top_up_of_unknown_volume_is_written_down_as_unknown(corner: Corner, page: Page) -> None:
    page.goto(f"{corner.page}/enter")
    form = page.locator("form#topup")
    form.get_by_label("Volume").fill("a jug")
    form.get_by_role("button").click()
    expect(form.get_by_label("Volume")).to_have_accessible_description(re.compile("found 'a jug'"))
    assert corner.ledger("top-up") == []
    form.get_by_label("Volume").fill("")
    form.get_by_label("When").fill("2026-03-08T19:20")
    form.get_by_label("Who").fill("evening desk")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The top-up is in the books.")
    (entered,) = corner.ledger("top-up")
    assert (entered["volume_l"], entered["by"]) == (None, "evening desk")
    assert datetime.fromisoformat(entered["at"]) == datetime.fromisoformat("2026-03-08T19:20:00+01:00")


def test_a_volume_in_gallons_and_a_reading_below_detection(corner: Corner, page: Page) -> None:
    page.goto(f"{corner.page}/enter")
    form = page.locator("form#waterchange")
    form.get_by_label("Volume").fill("2,5")
    page.locator("#waterchange-volume_unit").select_option("US gal")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The water change is in the books.")
    assert corner.ledger("water-change")[-1]["volume_l"] == pytest.approx(9.46353, abs=1e-5)  # NIST Handbook 44

    page.goto(f"{corner.page}/enter")
    form = page.locator("form#reading")
    form.get_by_label("What was measured").select_option("tds")
    form.get_by_label("Value").fill("1,5")
    form.get_by_label("Unit").select_option("uS/cm")
    form.get_by_label("Was anything detected").select_option("no")
    form.get_by_text("Read from a pen or a meter").click()
    form.get_by_label("Water temperature").fill("200")
    form.get_by_role("button").click()
    expect(form.get_by_label("Water temperature")).to_have_accessible_description(re.compile("expected -2 to 60 degC"))
    assert Axe().run(page).violations_count == 0
    form.get_by_label("Water temperature").fill("21,5")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The reading is in the books.")
    entered = corner.ledger("reading")[-1]
    assert (entered["value"], entered["unit"], entered["detected"]) == (1.5, "uS/cm", False)
    assert entered["measured_at_c"] == 21.5


def test_the_same_form_sent_twice_is_one_entry(corner: Corner) -> None:
    def notes() -> int:
        return len(corner.ledger("note"))

    def send(text: str) -> int:
        form = {"client_ref": "one-and-the-same", "kind": "other", "text": text}
        return httpx.post(f"{corner.page}/enter/note", data=form).status_code

    before = notes()
    assert [send("snail seen"), send("snail seen")] == [303, 303]
    assert notes() == before + 1
    assert send("two snails seen") == 303
    assert notes() == before + 2, "a form that was changed before it was sent again is another entry"


def test_a_form_larger_than_anybody_types_is_refused(corner: Corner) -> None:
    answer = httpx.post(f"{corner.page}/enter/note", content=b"text=" + b"x" * 70_000)
    assert answer.status_code == 413


def test_a_release_without_a_reading_is_refused_beside_its_form(corner: Corner, page: Page) -> None:
    corner.post("readings", analyte="ammonia", value=4, kit="drops")
    page.goto(corner.page)
    page.get_by_role("link", name="Release the hold").click()
    page.locator("#release-note").fill("looks fine to me")
    page.get_by_role("button", name="Release").click()
    refusal = page.locator("#form-release").get_by_role("alert")
    expect(refusal).to_contain_text("a reading newer than the hold")
    expect(refusal).to_be_focused()
    expect(page.locator("#release-note")).to_have_value("looks fine to me")
    expect(page.locator("#hold .message")).to_contain_text("held")

    corner.house.clock.at_ms += 1000
    corner.post("readings", analyte="ammonia", value=0.25, kit="drops")
    page.get_by_role("button", name="Release").click()
    expect(page.get_by_role("status")).to_contain_text("The release is in the books")
    expect(page.locator("#hold .message")).to_contain_text("feeding")


def test_a_person_can_hold_feeding(corner: Corner, page: Page) -> None:
    page.goto(corner.page)
    page.locator("#hold-reason").fill("the filter stands still")
    page.get_by_role("button", name="Hold").click()
    expect(page.locator("#hold .reasons")).to_contain_text("the filter stands still")
    expect(page.locator("#hold .message")).to_contain_text("held")
