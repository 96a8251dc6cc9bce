"""The water's page in a real browser: half a year of an invented tank at a window, and of one whose water turns.

The window's tank is measured every week and stays as it is; the sill's has rising nitrate, dissolved solids that level
off, a probe, a kit at the end of its scale, a detection limit, and a pen with a factor of its own.
"""

import math
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from axe_playwright_python.sync_playwright import Axe
from device import Device
from pages_house import ZONE, House, ms
from playwright.sync_api import Locator, Page, expect
from seeing import most_colourful
from waiting import until

pytest_plugins = ["pages_fixtures"]

CALM, TURNING = "calm", "turning"
NOW = datetime(2026, 3, 8, 19, 30, tzinfo=ZoneInfo(ZONE))
WEEKS = 26


def at(days_ago: float) -> str:
    return (NOW - timedelta(days=days_ago)).isoformat()


def put(house: House, path: str, **body: Any) -> None:
    answer = house.api.put(path, json=body)
    assert answer.is_success, answer.text


def water(house: House, tank: str) -> dict[str, Any]:
    return house.api.get(f"tanks/{tank}/water").json()


def read(house: House, tank: str, week: int, analyte: str, value: float, unit: str, basis: str | None = None,
         **other: Any) -> None:  # fmt: skip
    body = {"analyte": analyte, "value": value, "unit": unit, "basis": basis, **other}
    house.post(f"tanks/{tank}/readings", at=at(7 * (WEEKS - 1 - week) + 2), **body)


def by_kit(house: House, tank: str, week: int, analyte: str, value: float, kit: str) -> None:
    house.post(f"tanks/{tank}/readings", at=at(7 * (WEEKS - 1 - week) + 2), analyte=analyte, value=value, kit=kit)


def calm(house: House, week: int) -> None:
    """Water that stays as it is, within what its pens and kits can tell."""
    wander = (0, 1, -1, 0, 1, 0, -1, 1, 0, -1)[week % 10]
    read(house, CALM, week, "ph", round(7.0 + 0.1 * wander, 1), "1", resolution=0.1)
    read(house, CALM, week, "temperature", round(20 + 0.3 * wander, 1), "degC", resolution=0.1)
    read(house, CALM, week, "nitrite", 0.05, "mg/L", "N", detected=False)
    read(house, CALM, week, "tds", 260 + 2 * wander, "mg/L", resolution=1)
    read(house, CALM, week, "kh", 5 + 0.2 * wander, "dKH", resolution=0.5)
    by_kit(house, CALM, week, "ammonia", 0, "drops")
    by_kit(house, CALM, week, "nitrate", 10, "strips")
    house.post(f"tanks/{CALM}/water-changes", at=at(7 * (WEEKS - 1 - week) + 1), volume_l=2, water="tap")
    house.post(f"tanks/{CALM}/handfeeds", at=at(7 * (WEEKS - 1 - week) + 1.5), mass_g=1, sd_g=0.1, food="flakes")


def turning(house: House, week: int) -> None:
    """Nitrate that rises, and a last ammonia at the end of its scale; a pen whose mg/L are by 0.5 for each uS/cm."""
    by_kit(house, TURNING, week, "ammonia", 4 if week == WEEKS - 1 else 0.25, "drops")
    by_kit(house, TURNING, week, "nitrate", (5, 10, 20, 30)[min(3, week * 4 // WEEKS)], "strips")
    read(house, TURNING, week, "tds", round(solids(7.0 * week) / 0.64 * 0.5), "mg/L", factor=0.5, resolution=1)
    read(house, TURNING, week, "kh", round(6 - 0.08 * week, 2), "dKH", resolution=0.5)
    house.post(f"tanks/{TURNING}/top-ups", at=at(7 * (WEEKS - 1 - week) + 1), volume_l=1.5, water="tap")
    house.post(f"tanks/{TURNING}/handfeeds", at=at(7 * (WEEKS - 1 - week) + 1.5), mass_g=3, sd_g=0.3, food="flakes")


def solids(day: float) -> float:
    """Dissolved solids that level off at 400, in mg/L by 0.64 for each uS/cm."""
    return 200 + 200 * (1 - math.exp(-day / 40))


def sampled(probe: Device) -> None:
    """Half a year of a probe: four times a day, every ten minutes of the last three days."""
    hours = [*range(0, 7 * 24 * WEEKS - 72, 6), *(7 * 24 * WEEKS - 72 + i / 6 for i in range(72 * 6 + 1))]
    begins = NOW - timedelta(weeks=WEEKS)
    for first in range(0, len(hours), 200):
        pack: list[dict[str, Any]] = []
        for hour in hours[first : first + 200]:
            celsius = 24 + 0.4 * math.sin(2 * math.pi * hour / 24) + 0.1 * math.sin(hour)
            siemens = solids(hour / 24) / 0.64 / 10_000 * (1 + 0.02 * (celsius - 25))  # 2 % a kelvin: handbooks
            at_s = round((begins + timedelta(hours=hour)).timestamp())
            pack += [
                {"bn": f"{probe.name}:", "bt": at_s, "n": "temperature", "u": "Cel", "v": round(celsius, 4)},
                {"n": "conductivity", "u": "S/m", "v": round(siemens * (1 + 0.001 * math.sin(3 * hour)), 6)},
            ]
        probe.send("samples", pack)


@pytest.fixture(scope="module")
def half_year(house: House) -> Iterator[House]:
    house.clock.at_ms = ms(at(7 * WEEKS + 1))
    house.post("foods", id="flakes", name="Plain flakes", protein_percent=44)
    house.post("waters", id="tap", name="Tap", tds_mg_per_l=180, nitrate_mg_per_l=4, ammonia_mg_per_l=0, kh_dkh=6)
    house.post("kits", id="drops", name="Ammonia drops", analyte="ammonia", unit="mg/L", basis="ion",
               steps=[0, 0.25, 0.5, 1, 2, 4])  # fmt: skip
    house.post("kits", id="strips", name="Nitrate strips", analyte="nitrate", unit="mg/L", basis="ion",
               steps=[0, 5, 10, 20, 30, 40, 80])  # fmt: skip
    house.post("tanks", id=CALM, name="Reading-room window", volume_l=54, timezone=ZONE)
    feeder = house.tank(TURNING, "North sill")
    house.clock.at_ms = ms(NOW.isoformat())
    for week in range(WEEKS):
        calm(house, week)
        turning(house, week)
    put(house, f"tanks/{TURNING}/absence", start="2026-03-20", end="2026-03-30", daily_g=0.3)
    probe = Device("probe-sill", house.port, kind="probe", root=house.root)
    house.post("probes", id="probe-sill", tank=TURNING)
    probe.connect().wait_connected()
    sampled(probe)
    query = {"metric": "temperature", "start": at(1), "end": at(-1)}
    came = lambda: house.api.get(f"tanks/{TURNING}/series", params=query)  # noqa: E731
    until(lambda: came().is_success and len(came().json()["points"]) > 140, 60, "the samples")
    house.clock.at_ms += 6 * 60_000  # samples are looked at every five minutes
    read(house, CALM, WEEKS - 1, "tds", 260, "mg/L", resolution=1)
    until(lambda: water(house, TURNING)["probes"][0]["offset"], 60, "the watcher to look at the samples")
    yield house
    probe.leave()
    feeder.leave()


def strip(page: Page, analyte: str) -> Locator:
    return page.locator(f"section[aria-labelledby='of-{analyte}'] svg.strip")


def drawn_at(picture: Locator, mark: str = ".point") -> list[float]:
    """Where the marks of a strip stand on its axis, read from what is drawn: from its first and last tick."""
    ticks = [
        (float(t.get_attribute("y") or 0) - 4, float(t.text_content() or 0)) for t in picture.locator(".tick").all()
    ]
    (y_low, low), (y_high, high) = ticks[0], ticks[-1]
    paths = [str(one.get_attribute("d")) for one in picture.locator(mark).all()]
    heights = [
        float(re.split("[ l]", path)[1]) if "h" not in path else float(re.split("[ h]", path)[1]) for path in paths
    ]
    return [low + (y_low - y) / (y_low - y_high) * (high - low) for y in heights]


# -- legible everywhere ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(half_year: House, page: Page, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.2 A and AA with targets of 24 px; 1.4.10: 320 CSS pixels.
    page.emulate_media(color_scheme=scheme)
    for path in (f"/tanks/{CALM}/water", f"/tanks/{TURNING}/water"):
        for width in (1280, 320):
            page.set_viewport_size({"width": width, "height": 900})
            page.goto(half_year.url + path)
            page.evaluate("document.querySelectorAll('details:not(#figures-temperature)').forEach(d => d.open = true)")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{path} at {width} px"
        found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_good_water_has_no_saturated_pixel(half_year: House, page: Page, scheme: Any) -> None:
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{half_year.url}/tanks/{CALM}/water")
    expect(page.locator("svg.strip")).to_have_count(7)
    assert most_colourful(page) <= 16
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    assert most_colourful(page) > 64, "water that needs a person must show it"


def test_the_page_is_reached_from_overview_and_week(half_year: House, page: Page) -> None:
    for path, link in (("/", "Water"), (f"/tanks/{CALM}", "Water, half a year")):
        page.goto(half_year.url + path)
        page.get_by_role("link", name=link, exact=True).first.click()
        expect(page).to_have_title("Water · Reading-room window · Tareline")


def test_a_tank_that_is_not_there_is_said_so(half_year: House, page: Page) -> None:
    answer = page.goto(f"{half_year.url}/tanks/none/water")
    assert answer is not None
    assert answer.status == 404


# -- what is drawn -----------------------------------------------------------------------------------------------------


def test_a_strip_and_its_table_say_the_same(half_year: House, page: Page) -> None:
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    page.locator("#figures-nitrate summary").click()
    rows = page.locator("#figures-nitrate table.readings tbody tr").all()
    told = [row.locator("td").nth(1).inner_text() for row in reversed(rows)]
    assert [f"{value:.0f} mg/L as ion" for value in drawn_at(strip(page, "nitrate"))] == told
    assert len(told) == WEEKS
    assert rows[0].locator("td").nth(2).inner_text() == "20 to 40", "the neighbours of 30 on the kit's scale"


def test_below_detection_is_an_interval_from_nothing_with_a_mark_of_its_own(half_year: House, page: Page) -> None:
    page.goto(f"{half_year.url}/tanks/{CALM}/water")
    picture = strip(page, "nitrite")
    expect(picture.locator(".point.below")).to_have_count(WEEKS)
    expect(picture.locator(".point:not(.below)")).to_have_count(0)
    assert drawn_at(picture, ".point.below") == pytest.approx([0.05] * WEEKS, abs=1e-3)
    stems = [re.findall(r"M\S+ (\S+)V(\S+)M", str(one.get_attribute("d"))) for one in picture.locator(".whisker").all()]
    base = float(str(picture.locator(".axis").get_attribute("d")).split()[1].split("H")[0])
    assert {float(stem[0][0]) for stem in stems} == {base}
    page.locator("#figures-nitrite summary").click()
    expect(page.locator("#figures-nitrite tbody tr").first).to_contain_text("not detected, under 0.05 mg/L as N")


def test_the_end_of_a_scale_is_an_open_arrow(half_year: House, page: Page) -> None:
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    arrows = [
        d for one in strip(page, "ammonia").locator(".whisker").all() if (d := str(one.get_attribute("d"))).count("L")
    ]
    assert len(arrows) == 1
    page.locator("#figures-ammonia summary").click()
    expect(page.locator("#figures-ammonia tbody tr").first).to_contain_text("at least 2")


def test_a_probes_days_are_a_line_in_the_band_of_their_extremes(half_year: House, page: Page) -> None:
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    for analyte in ("tds", "temperature"):
        expect(strip(page, analyte).locator(".trace")).to_have_count(1)
        expect(strip(page, analyte).locator(".reach")).to_have_count(1)
    page.locator("#figures-temperature summary").click()
    rows = page.locator("#figures-temperature table.probes tbody tr")
    expect(rows).to_have_count(7 * WEEKS)
    mean, low, high = (float(rows.nth(5).locator("td").nth(i).inner_text()) for i in range(3))
    assert (low, mean, high) == pytest.approx((23.6, 24.0, 24.4), abs=0.15)


def test_ammonias_criteria_stand_on_its_chart(half_year: House, page: Page) -> None:
    # US EPA 822-R-13-001: 17 (acute) and 1.9 mg/L (chronic) as total ammonia N at pH 7.0 and 20 degC.
    page.goto(f"{half_year.url}/tanks/{CALM}/water")
    labels = " ".join(strip(page, "ammonia").locator(".line-label").all_text_contents())
    for name, published in (("chronic criterion", "1.9"), ("acute criterion", "17")):
        (shown,) = re.findall(rf"(\S+) {name}", labels)
        as_n = float(shown) * 14.007 / (14.007 + 4 * 1.008)  # IUPAC
        assert f"{as_n:.2g}" == published
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    expect(page.locator("section[aria-labelledby='of-ammonia']")).to_contain_text("of which pH was not measured")


def test_a_pens_own_factor_is_drawn_by_the_tanks(half_year: House, page: Page) -> None:
    # 311 mg/L by 0.5 for each uS/cm are 622 uS/cm, and by 0.64 398 mg/L.
    page.goto(f"{half_year.url}/tanks/{TURNING}")
    (drawn,) = drawn_at(page.locator("#water figure", has_text="dissolved solids").locator("svg"))
    assert drawn == pytest.approx(398, abs=1)
    row = page.locator("#water table.readings tr", has_text="dissolved solids")
    expect(row).to_contain_text("311 mg/L")
    newest = page.locator("#water dt:text-is('dissolved solids') + dd")
    expect(newest).to_contain_text("398 mg/L by the tank's factor")


# -- what is said ------------------------------------------------------------------------------------------------------


def test_a_trend_is_told_with_its_interval_and_when_it_reaches_a_line(half_year: House, page: Page) -> None:
    found = water(half_year, TURNING)["trends"]["nitrate"]
    assert (found["direction"], found["alarm"]) == ("rising", True)
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    told = page.locator("section[aria-labelledby='of-nitrate'] p").first
    expect(told.locator(".attend")).to_contain_text("Rising by")
    size, low, high = (30 * found[name] * 62.004 / 14.007 for name in ("slope_per_day", "slope_low", "slope_high"))
    expect(told).to_contain_text(f"Rising by {size:.2g} mg/L as ion a month (80 % interval {low:.2g} to {high:.2g})")
    reach = datetime.fromisoformat(found["reaches"]["from"])
    expect(told).to_contain_text(f"reaches the line at 40 mg/L as ion between {reach:%-d %B %Y}")
    expect(page.locator("#summary")).to_contain_text("nitrate are rising")


def test_solids_that_level_off_are_told_with_their_plateau(half_year: House, page: Page) -> None:
    # By construction: an approach to 400 mg/L by e every 40 days, which leaves 5 % after 40 ln 20 = 120 days.
    level = water(half_year, TURNING)["trends"]["tds"]["plateau"]
    assert level["low"] <= 400.5
    assert level["high"] >= 399.5
    reached = datetime.fromisoformat(level["from"])
    assert abs((reached - (NOW - timedelta(weeks=WEEKS))) / timedelta(days=1) - 40 * math.log(20)) < 35
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    expect(page.locator("section[aria-labelledby='of-tds']")).to_contain_text("levelled off near 400 mg/L")


def test_balances_and_probes_are_told(half_year: House, page: Page) -> None:
    page.goto(f"{half_year.url}/tanks/{TURNING}/water")
    balances = page.locator("#balances")
    for words in ("Beside what 12 top-ups did", "Food brought", "dKH a day are used up", "it runs down to 1 dKH"):
        expect(balances).to_contain_text(words)
    expect(page.locator("#probe-health")).to_contain_text("% interval")
    expect(page.locator("#probe-health")).to_contain_text("No problems found")
    expect(page.locator("#free-ammonia")).to_contain_text(re.compile("at least .* mg/L as N .*assumed: pH"))
    page.goto(f"{half_year.url}/tanks/{CALM}/water")
    expect(page.locator("#probe-health")).to_contain_text("No probe is on this tank")


def test_overview_and_week_tell_the_most_pressing_alert_trends_and_an_absence(half_year: House, page: Page) -> None:
    for path in ("/", f"/tanks/{TURNING}"):
        page.goto(half_year.url + path)
        alert = page.locator(".alert a", has_text="North sill")
        expect(alert).to_contain_text("North sill: feeding is held and")
        expect(alert).to_have_attribute("href", "/alerts")
        expect(page.locator(".trend .attend").first).to_have_text("rising")
    expect(page.locator("#hold")).to_contain_text("An absence is planned from Fri 20 Mar to 30 March 2026")
    page.goto(f"{half_year.url}/tanks/{CALM}")
    expect(page.locator(".alert")).to_have_count(0)
    expect(page.locator("#hold")).not_to_contain_text("absence")
