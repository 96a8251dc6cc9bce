"""Findings, intervals and the hopper in a real browser: what a keeper sees of them, and what comes of a click."""

import re
from collections.abc import Iterator
from functools import partial
from random import Random
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from pages_house import House, meal, ms
from playwright.sync_api import Browser, Locator, Page, expect
from waiting import until

pytest_plugins = ["pages_fixtures"]

SHELVES = ("seen", "mended", "left", "refused", "stale", "revised", "handled")
POURED_G = 9.8


def week(house: House, tank: str) -> dict[str, Any]:
    return house.api.get(f"tanks/{tank}/week").json()


def has_one_finding(house: House, tank: str) -> bool:
    return len(week(house, tank)["findings"]) == 1


def ledger(house: House, tank: str, kind: str) -> list[dict[str, Any]]:
    return house.api.get(f"tanks/{tank}/ledger", params={"kind": kind}).json()


@pytest.fixture(scope="module")
def shelves(house: House) -> Iterator[House]:
    """Tanks whose feeder got 9.8 g between Wednesday's doses that nobody entered; weighed in before and after."""
    house.post("foods", id="flakes", name="Plain flakes", protein_percent=44)
    devices = [house.tank(tank, f"{tank.capitalize()} shelf") for tank in SHELVES]
    house.clock.at_ms = ms("2026-03-08T19:30:00+01:00")
    for number, (tank, device) in enumerate(zip(SHELVES, devices, strict=True)):
        random, left_g = Random(number), 40.0
        house.post(f"feeders/{device.name}/weighins", mass_g=left_g, sd_g=0.02, at="2026-03-02T07:00:00+01:00")
        for day in range(2, 9):
            for hour in ("08:00", "18:00"):
                if (day, hour) == (4, "18:00"):
                    left_g += POURED_G
                net_g = 0.3 * random.gauss(1, 0.03)
                meal(device, f"2026-03-{day:02}T{hour}:00+01:00", round(left_g + random.gauss(0, 0.005), 4), net_g)
                left_g -= net_g
        at = "2026-03-08T19:00:00+01:00"
        house.post(f"feeders/{device.name}/weighins", mass_g=round(left_g, 2), sd_g=0.02, at=at)
        device.wait_received()
        until(partial(has_one_finding, house, tank), what=f"the finding of {tank}")
    yield house
    for device in devices:
        device.leave()


def open_finding(page: Page, house: House, tank: str) -> Locator:
    page.goto(f"{house.url}/tanks/{tank}")
    return page.locator("form.finding")


def test_a_finding_says_where_how_large_why_and_what_would_mend_it(shelves: House, page: Page) -> None:
    (finding,) = week(shelves, "seen")["findings"]
    assert finding["mass_g"] == pytest.approx(POURED_G, abs=0.1)
    size = f"{finding['mass_g']:.3f} g"
    form = open_finding(page, shelves, "seen")
    expect(form).to_have_count(1)
    expect(form.get_by_role("heading")).to_contain_text("Refill not recorded")
    expect(form).to_contain_text(f"{size} ± {finding['sd_g']:.3f} g more in the hopper than the entries explain")
    expect(form.locator(".mend strong")).to_have_text(f"Enter a refill of {size} at Wed 4 Mar 13:00")
    form.get_by_role("link", name="the dose of Wed 4 Mar 08:00").click()
    expect(page.locator(".ticket")).to_contain_text("2026-03-04 08:00:00")
    expect(page.locator(".ticket dt:text-is('Estimate') + dd")).to_contain_text("g")


def test_marked_days_their_intervals_and_provisional_ones(shelves: House, page: Page) -> None:
    said = week(shelves, "seen")
    page.goto(f"{shelves.url}/tanks/seen")
    rows = page.locator("table.days tbody tr:not(.remark)")
    for number, day in enumerate(said["days"]):
        sd_g, known = day["dispensed_sd_g"], rows.nth(number)
        low, high = (float(x) for x in known.locator("td").nth(2).locator(".soft").inner_text().split(" to "))
        # Coverage factor 2 for a level of about 95 % (JCGM 100:2008, 6.3.3).
        assert (high - low) / 4 == pytest.approx(sd_g, rel=0.06)
        assert (high + low) / 2 == pytest.approx(day["dispensed_g"], abs=sd_g / 10)
        assert ("provisional" in known.inner_text()) == day["provisional"]
    expect(page.locator("table.days .remark", has_text="a finding is open")).to_have_count(1)
    provisional = sum(day["provisional"] for day in said["days"])
    assert 0 < provisional < 7
    expect(page.locator("svg.week.wide rect.provisional")).to_have_count(provisional)
    expect(page.locator("svg.week.wide .whisker")).to_have_count(7)
    expect(page.locator("table.days tfoot")).to_contain_text("provisional")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(shelves: House, page: Page, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.2 A and AA, with targets of 24 px (2.5.8); 1.4.10: 320 CSS pixels.
    page.emulate_media(color_scheme=scheme)
    for path in ("/tanks/seen", "/tanks/seen/enter"):
        for width in (320, 1280):
            page.set_viewport_size({"width": width, "height": 800})
            page.goto(shelves.url + path)
            page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
            assert found.violations_count == 0, found.generate_report()


def test_what_a_corrected_weigh_in_changed_is_listed_by_its_entry(shelves: House, page: Page) -> None:
    weighed = ledger(shelves, "revised", "weighin")[-1]
    shelves.post(f"ledger/{weighed['entry']}/corrections", mass_g=round(weighed["mass_g"] - 0.05, 2))
    said = until(lambda: week(shelves, "revised")["revisions"], what="what the correction changed")
    page.goto(f"{shelves.url}/tanks/revised")
    page.locator("#changed-since summary").click()
    items = page.locator("#changed-since li")
    expect(items).to_have_count(len(said))
    for number, revision in enumerate(said):
        for entry in revision["entries"]:
            expect(items.nth(number)).to_contain_text(f"(entry {entry})")
        for day in revision["days"]:
            expect(items.nth(number)).to_contain_text(f"{day['after_g']:.2f}")


def test_accepting_by_a_click_mends_the_books(shelves: House, page: Page) -> None:
    form = open_finding(page, shelves, "mended")
    form.get_by_label("What happened").fill("topped up before the reading hour")
    form.get_by_label("Who").fill("morning desk")
    form.get_by_role("button", name="Accept").click()
    expect(page.get_by_role("status")).to_contain_text("The finding was accepted")
    expect(page.locator("form.finding")).to_have_count(0)
    expect(page.locator("table.days .remark", has_text="a finding is open")).to_have_count(0)
    (refill,) = ledger(shelves, "mended", "refill")
    assert refill["added_g"] == pytest.approx(POURED_G, abs=0.1)
    assert (refill["by"], refill["note"]) == ("morning desk", "topped up before the reading hour")


def test_dismissing_needs_no_script(shelves: House, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        form = open_finding(page, shelves, "left")
        address = form.get_attribute("action")
        form.get_by_label("Who").fill("late desk")
        form.get_by_role("button", name="Dismiss").click()
        expect(page.get_by_role("status")).to_contain_text("The finding was dismissed")
        expect(page.locator(f"form[action='{address}']")).to_have_count(0)
    assert ledger(shelves, "left", "refill") == []
    decided = shelves.api.get("tanks/left/week").json()
    assert address is not None
    assert address.rpartition("/")[2] not in [finding["id"] for finding in decided["findings"]]


def test_a_refused_decision_keeps_what_was_typed_and_decides_nothing(shelves: House, page: Page) -> None:
    # WCAG 2.2, 3.3.1: the field in error is identified and described in text.
    form = open_finding(page, shelves, "refused")
    form.get_by_label("What happened").fill("half a thought")
    form.get_by_label("What happened").press("Enter")
    expect(form).to_be_visible()
    assert ledger(shelves, "refused", "refill") == [], "the enter key alone decides nothing"
    form.get_by_label("Who").fill("x" * 201)
    form.get_by_role("button", name="Accept").click()
    expect(form.get_by_label("Who")).to_be_focused()
    expect(form.get_by_label("Who")).to_have_accessible_description(re.compile("at most 200"))
    expect(form.get_by_label("What happened")).to_have_value("half a thought")
    assert Axe().run(page).violations_count == 0
    assert ledger(shelves, "refused", "refill") == []


def test_a_finding_that_somebody_else_decided_is_said_so(shelves: House, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        form = open_finding(page, shelves, "stale")
        form.get_by_label("What happened").fill("it was me")
        name = week(shelves, "stale")["findings"][0]["id"]
        shelves.post(f"findings/{name}/decision", decision="accept", by="somebody else")
        form.get_by_role("button", name="Accept").click()
        expect(page.get_by_role("alert")).to_contain_text("this finding is no longer there")
        expect(page.get_by_role("alert")).to_contain_text("it was me")
    (refill,) = ledger(shelves, "stale", "refill")
    assert refill["by"] == "somebody else"


def test_a_hopper_is_taken_off_and_hung_again(shelves: House, page: Page) -> None:
    device = shelves.devices["handled"]
    device.wait_hold(False)
    page.goto(f"{shelves.url}/tanks/handled/enter")
    form = page.locator("form#hopper")
    form.get_by_label("Feeder").select_option(device.name)
    form.get_by_role("button", name="taken off").click()
    expect(page.get_by_role("status")).to_contain_text("asked to stop")
    device.wait_hold(True)
    expect(page.locator("#hold .message strong")).to_have_text("held")
    expect(page.locator("#hold")).to_contain_text("the hopper is off")
    expect(page.locator("#hold .sign .cut")).to_have_count(1)
    expect(page.locator("#form-release")).to_have_count(0)
    assert Axe().run(page).violations_count == 0
    page.get_by_role("link", name="Hang it again").click()
    form.get_by_label("Feeder").select_option(device.name)
    form.get_by_role("button", name="hangs again").click()
    device.wait_hold(False)
    expect(page.locator("#hold .message strong")).to_have_text("feeding")


def test_gross_and_tare_and_a_loss_reach_the_books(shelves: House, page: Page) -> None:
    feeder = shelves.devices["handled"].name
    page.goto(f"{shelves.url}/tanks/handled/enter")
    form = page.locator("form#weighin")
    form.get_by_label("Feeder").select_option(feeder)
    form.get_by_label("Gross").fill("99,9")
    form.get_by_role("button").click()
    refused = form.get_by_label("Content of the hopper")
    expect(refused).to_have_accessible_description(re.compile("either mass_g, or gross_g and tare_g"))
    form.get_by_label("Tare").fill("55,5")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The weigh-in is in the books.")
    entered = ledger(shelves, "handled", "weighin")[-1]
    assert (entered["mass_g"], entered["gross_g"], entered["tare_g"]) == (44.4, 99.9, 55.5)

    page.goto(f"{shelves.url}/tanks/handled/enter")
    form = page.locator("form#loss")
    form.get_by_label("Feeder").select_option(feeder)
    form.get_by_label("Lost").fill("0,8")
    form.get_by_label("What happened").fill("spilled beside the scale")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The loss is in the books.")
    (lost,) = ledger(shelves, "handled", "loss")
    assert (lost["mass_g"], lost["text"]) == (0.8, "spilled beside the scale")
