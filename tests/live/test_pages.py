"""The pages in a real browser: legible everywhere, true to what the service says, and live."""

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import PANTRY, WINDOW, Corner, House, meal
from playwright.sync_api import Browser, Page, expect
from seeing import most_colourful
from waiting import until

from conftest import Household
from tareline.resources import dashboards_dir

pytest_plugins = ["pages_fixtures"]


def week(house: House, tank: str) -> dict[str, Any]:
    return house.api.get(f"tanks/{tank}/week").json()


def first_dose(house: House, tank: str) -> int:
    return int(week(house, tank)["days"][0]["doses"][0]["entry"])


def all_pages(house: House) -> list[str]:
    dose = first_dose(house, WINDOW)
    return ["/", f"/tanks/{WINDOW}", f"/tanks/{PANTRY}", f"/tanks/{PANTRY}?start=2026-02-25", f"/tanks/{PANTRY}/enter",
            f"/tanks/{WINDOW}/doses/{dose}", "/devices", "/faults", "/rejects", "/alerts", "/login",
            "/tanks/none"]  # fmt: skip


# -- legible everywhere ------------------------------------------------------------------------------------------------


def test_no_page_scrolls_sideways(spring: House, page: Page) -> None:
    # WCAG 2.2, 1.4.10: 320 CSS pixels.
    for width in (320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        for path in all_pages(spring):
            page.goto(spring.url + path)
            page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{path} at {width} px"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(spring: House, page: Page, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.2 A and AA, and the one for targets of 24 px (2.5.8), which is off by default.
    page.emulate_media(color_scheme=scheme)
    for path in all_pages(spring):
        page.goto(spring.url + path)
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance of #rrggbb."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_is_the_published_one() -> None:
    # Ratios from the formula in WCAG 2.2 (w3c/wcag, relative-luminance and contrast-ratio).
    on_white = {"#000000": 21.0, "#767676": 4.5422, "#949494": 3.0335, "#ff0000": 3.9985, "#0000ff": 8.5925}
    for colour, ratio in on_white.items():
        assert contrast(colour, "#ffffff") == pytest.approx(ratio, abs=1e-3)


def palettes() -> dict[str, dict[str, str]]:
    css = (dashboards_dir() / "styles" / "tareline.css").read_text()
    parts = css.split(":root {")[1:3]
    light, dark = (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", part.split("}")[0])) for part in parts)
    assert "prefers-color-scheme: dark" in parts[0]
    assert light.keys() == dark.keys()
    return {"light": light, "dark": dark}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_keep_their_contrast(scheme: str) -> None:
    # WCAG 2.2: 1.4.3 text 4.5:1; 1.4.11 graphics and the edges of controls 3:1.
    colours = palettes()[scheme]
    text = [(ink, ground) for ink in ("ink", "soft", "attend", "stop") for ground in ("paper", "sheet")]
    text += [("attend", "attend-wash"), ("ink", "attend-wash"), ("stop", "stop-wash"), ("ink", "stop-wash")]
    graphics = [(part, ground) for part in ("bar", "edge", "hatch", "ink") for ground in ("paper", "sheet")]
    graphics += [("ink", "bar"), ("edge", "attend-wash"), ("edge", "stop-wash")]
    for pairs, least in ((text, 4.5), (graphics, 3.0)):
        for one, other in pairs:
            assert contrast(colours[one], colours[other]) >= least, f"{one} on {other}"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_good_week_has_no_saturated_pixel(spring: House, page: Page, scheme: Any) -> None:
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    expect(page.locator("#hold .message")).to_have_text("feeding")
    assert most_colourful(page) <= 16
    page.goto(f"{spring.url}/tanks/{PANTRY}")
    assert most_colourful(page) > 64, "a week that needs a person must show it"


def test_the_week_prints_on_one_page(spring: House, page: Page) -> None:
    for tank in (WINDOW, PANTRY):
        page.goto(f"{spring.url}/tanks/{tank}")
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) == 1


def test_a_page_is_complete_without_scripts(spring: House, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{spring.url}/tanks/{WINDOW}")
        expect(page.locator("table.days tbody tr:not(.remark)")).to_have_count(7)
        expect(page.locator("svg.week.wide .dispensed")).to_have_count(7)
        page.locator("#day-2026-03-03 summary").click()
        expect(page.locator("#day-2026-03-03 .ticket-link")).to_have_count(2)


def test_the_keyboard_reaches_the_content_first(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    focused = page.locator(":focus")
    assert focused.evaluate("e => document.querySelector('main').contains(e)")
    assert focused.evaluate("e => getComputedStyle(e).outlineStyle") == "solid"


# -- what the week says ------------------------------------------------------------------------------------------------


def test_picture_table_and_sentence_say_the_same(spring: House, page: Page) -> None:
    said = week(spring, WINDOW)
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    expect(page.get_by_role("img", name=said["sentence"])).to_have_count(1)
    expect(page.locator("#sentence")).to_have_text(said["sentence"])
    rows = page.locator("table.days tbody tr:not(.remark)")
    scale = page.locator("svg.week.wide")
    ticks = scale.locator(".tick").all()
    heights = [float(tick.get_attribute("y") or 0) for tick in (ticks[0], ticks[-2])]
    top_g = float(ticks[-2].text_content() or 0)
    for i, day in enumerate(said["days"]):
        shown = rows.nth(i).locator("td").nth(1).inner_text()
        assert float(shown) == pytest.approx(day["dispensed_g"], abs=5e-4)
        height = float(scale.locator("rect.dispensed").nth(i).get_attribute("height") or 0)
        assert height / (heights[0] - heights[1]) * top_g == pytest.approx(day["dispensed_g"], abs=2e-3)


def test_what_is_not_known_is_marked_and_never_nothing(spring: House, page: Page) -> None:
    until(lambda: week(spring, PANTRY)["days"][2]["doses"][1]["estimate_g"], what="the account of the pantry's feeder")
    page.goto(f"{spring.url}/tanks/{PANTRY}")
    expect(page.locator("table.days .remark", has_text="a dose was not weighed")).to_have_count(1)
    expect(page.locator("svg.week.wide .dose.lost")).to_have_count(1)
    tuesday, wednesday = week(spring, PANTRY)["days"][1:3]
    assert wednesday["dispensed_sd_g"] > 3 * tuesday["dispensed_sd_g"], "a dose known by its steps alone is less known"
    page.locator("#day-2026-03-04 summary").click()
    row = page.locator("#day-2026-03-04 tbody tr").nth(1)
    expect(row).to_contain_text("not weighed")
    expect(row.locator("td").nth(4)).to_contain_text(f"{wednesday['doses'][1]['estimate_g']:.3f}")
    expect(page.locator("svg.week.wide rect.hand")).to_have_count(1)


def test_a_dose_opens_as_its_ticket_with_the_message_as_it_came(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    page.locator("table.days a", has_text="Tue 3").click()
    page.locator("#day-2026-03-03 .ticket-link", has_text="08:00").click()
    dose = spring.devices[WINDOW].sent[3]
    expect(page.locator("pre")).to_have_text(json.dumps(dose))
    ticket = page.locator(".ticket")
    for word, value in (("Before", f"{dose['before_g']:.4f} g"), ("After", f"{dose['after_g']:.4f} g"),
                        ("Net", f"{dose['before_g'] - dose['after_g']:.4f} g"), ("Standard deviation", "0.0080 g"),
                        ("Sequence", "3"), ("Meal", dose["meal"]), ("Instrument", "feeder-window")):  # fmt: skip
        expect(ticket.locator(f"dt:text-is('{word}') + dd")).to_have_text(value)


def test_weeks_follow_each_other(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    expect(page.get_by_role("link", name="Week after")).to_have_count(0)
    page.get_by_role("link", name="Week before").click()
    expect(page.locator("#week-title")).to_have_text("Mon 23 Feb to 1 March 2026")
    page.get_by_role("link", name="Week after").click()
    expect(page.locator("#week-title")).to_have_text("Mon 2 Mar to 8 March 2026")


def test_a_message_that_was_not_understood_is_shown_as_text(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/rejects")
    expect(page.locator("pre").first).to_contain_text("<script>")
    expect(page).to_have_title("Messages not understood · Tareline")


# -- live --------------------------------------------------------------------------------------------------------------


def test_a_reading_in_the_form_holds_the_feeder_and_an_open_page_shows_it(common: Household, page: Page) -> None:
    """From end to end: the running service, its broker, a feeder that obeys, and two open pages."""
    device = common.device()
    device.wait_hold(False)
    page.goto(f"{common.url}/tanks/{common.tank}")
    expect(page.locator("#hold .message")).to_contain_text("feeding")
    page.evaluate("window.stillTheSame = true")
    form = page.context.new_page()
    form.goto(f"{common.url}/tanks/{common.tank}/enter")
    form.get_by_label("What was measured").select_option("ammonia")
    form.locator("#reading-value").fill("2,5")
    form.get_by_label("Nitrogen stated as").select_option("N")
    form.get_by_role("button", name="Write down the reading").click()
    device.wait_hold(True)
    for one in (page, form):
        expect(one.locator("#hold .message strong")).to_have_text("held")
        expect(one.locator("#hold .reasons")).to_contain_text("total ammonia")
    assert page.evaluate("window.stillTheSame") is True


def test_a_hold_that_nobody_confirms_says_so_and_leaves_typing_alone(corner: Corner, page: Page) -> None:
    device = corner.device
    device.applies = False
    page.goto(corner.page)
    page.evaluate("window.stillTheSame = true")
    page.locator("#day-2026-03-03 summary").click()
    page.locator("#hold-by").fill("half a na")
    corner.post("readings", analyte="ammonia", value=4, kit="drops")
    message = page.locator("#hold .message strong")
    expect(message).to_have_text("held: sent to the feeder, not confirmed yet")
    expect(page.locator("#water .crossed")).to_have_count(1)
    expect(page.locator("#day-2026-03-03")).to_have_attribute("open", "")
    expect(page.locator("#hold-by")).to_have_value("half a na")

    corner.house.clock.at_ms += 61_000
    expect(message).to_contain_text("not confirmed, unplug the feeder", timeout=15_000)
    expect(page.locator("#hold")).to_have_class(re.compile("alarm"))
    assert Axe().run(page).violations_count == 0

    device.applies = True
    device.say_applied()
    expect(message).to_have_text("held")
    assert page.evaluate("window.stillTheSame") is True


def test_doses_that_are_missing_are_shown_until_they_come(corner: Corner, page: Page) -> None:
    device = corner.device
    device.on_resend = "ignore"
    at = corner.house.now().isoformat()
    for number in range(1, 8):
        meal(device, at, 40.0, 0.01, send=number in (1, 4, 7), meal=None, cause="command")
    page.goto(f"{corner.house.url}/devices")
    card = page.locator(".cards li").filter(has=page.get_by_role("heading", name=device.name, exact=True))
    waiting = card.locator("dt:text-is('Missing') + dd")
    expect(waiting).to_have_text("doses 2 to 3, 5 to 6 requested again")
    assert Axe().run(page).violations_count == 0
    for number in (2, 3, 6):
        device.send("dose", device.sent[number])
    expect(waiting).to_have_text("dose 5 requested again")
    device.send("dose", device.sent[5])
    expect(waiting).to_have_count(0)
    device.wait_received()


def test_the_picture_for_the_readme(spring: House, page: Page) -> None:
    """Written where TARELINE_PICTURE says; without it the picture is only taken."""
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    expect(page.locator("svg.week.wide .whisker").first).to_be_visible()
    picture = page.screenshot()
    assert picture.startswith(b"\x89PNG")
    if "TARELINE_PICTURE" in os.environ:
        Path(os.environ["TARELINE_PICTURE"]).write_bytes(picture)
