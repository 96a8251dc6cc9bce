"""The pages in a real browser, over a real service and a real broker.

Most tests look at a spring week of an invented library's tanks, through a service whose wall clock stands on that
week's Sunday evening: it runs in this process, over the common broker, under a root of its own.
"""

import base64
import json
import os
import re
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from device import Device
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from servers import SYSTEM_PATH, free_port
from waiting import until

from conftest import Household
from tareline.clock import SystemClock
from tareline.resources import dashboards_dir
from tareline.service import Service
from tareline.settings import Broker as BrokerSettings
from tareline.settings import Http, Settings, StoreSettings
from tareline.web.app import make_app
from tareline.web.events import Hub

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
WINDOW, PANTRY = "window", "pantry"
NETS_G = (0.301, 0.287, 0.295, 0.291, 0.302, 0.299, 0.284, 0.279, 0.298, 0.291, 0.273, 0.242, 0.294, 0.300)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


class WallClock(SystemClock):
    """Real delays, and a wall clock that stands where it is put."""

    def __init__(self, now_ms: int) -> None:
        self.at_ms = now_ms

    def now_ms(self) -> int:
        return self.at_ms


@dataclass
class House:
    """A service of our own, its wall clock, and the devices that talk to it."""

    url: str
    api: httpx.Client
    clock: WallClock
    port: int
    root: str
    devices: dict[str, Device] = field(default_factory=dict)

    def post(self, path: str, **body: Any) -> dict[str, Any]:
        answer = self.api.post(path, json=body)
        assert answer.status_code == 201, answer.text
        return answer.json()  # type: ignore[no-any-return]

    def tank(self, tank: str, name: str) -> Device:
        """A stocked tank with a feeder that has a ration of 0.6 g in two meals."""
        feeder = f"feeder-{tank}"
        self.post("tanks", id=tank, name=name, volume_l=54, timezone="Europe/Berlin")
        self.post("feeders", id=feeder, tank=tank, food="flakes")
        meals = [{"at": "08:00", "share": 0.5}, {"at": "18:00", "share": 0.5}]
        answer = self.api.put(f"tanks/{tank}/ration", json={"daily_g": 0.6, "cap_g": 0.9, "meals": meals})
        assert answer.is_success, answer.text
        self.devices[tank] = Device(feeder, self.port, root=self.root).connect().wait_connected()
        return self.devices[tank]


def meal(device: Device, at: str, before_g: float | None, net_g: float = 0.0, **other: Any) -> None:
    """A planned dose; a before_g of None is one that was not weighed."""
    after_g, sd_g = (None, None) if before_g is None else (round(before_g - net_g, 4), 0.008)
    body = {"meal": f"{at[:10]}/{at[11:16]}", "cause": "plan", "target_g": 0.3, "steps": 150}
    device.dose(at_ms=ms(at), before_g=before_g, after_g=after_g, sd_g=sd_g, **body | other)


@pytest.fixture(scope="module")
def house(common_servers: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    broker = common_servers[0]
    root = "tareline/pages"
    clock = WallClock(ms("2026-03-01T12:00:00+01:00"))
    settings = Settings(
        broker=BrokerSettings(url=broker.url, root=root),
        store=StoreSettings(url=f"sqlite:///{tmp_path_factory.mktemp('pages')}/books.db"),
        http=Http(listen=f"127.0.0.1:{free_port()}"),
    )
    service, hub = Service(settings, clock), Hub()
    server = uvicorn.Server(uvicorn.Config(make_app(service, hub), port=settings.http.port, log_config=None))
    thread = threading.Thread(target=server.run)
    service.start()
    thread.start()
    until(lambda: server.started, what="the pages to be served")
    url = f"http://{settings.http.listen}"
    with httpx.Client(base_url=f"{url}/api/v1/") as api:
        yield House(url, api, clock, broker.port, root)
    hub.close()
    server.should_exit = True
    thread.join(20)
    service.stop()


@pytest.fixture(scope="module")
def spring(house: House) -> Iterator[House]:
    """A good week at the window, and one with a hand feed, a held meal and a dose without weight in the pantry."""
    house.post("foods", id="flakes", name="Plain flakes", protein_percent=44)
    house.post("kits", id="drops", name="Ammonia drops", analyte="ammonia", unit="mg/L", basis="ion",
               steps=[0, 0.25, 0.5, 1, 2, 4])  # fmt: skip
    window, pantry = house.tank(WINDOW, "Reading-room window"), house.tank(PANTRY, "P" * 60)
    house.clock.at_ms = ms("2026-03-08T19:30:00+01:00")
    left = 40.0
    for i, net in enumerate(NETS_G):
        meal(window, f"2026-03-{2 + i // 2:02}T{('08:00', '18:00')[i % 2]}:00+01:00", round(left, 4), net)
        left -= net
    for day in range(2, 6):
        meal(pantry, f"2026-03-{day:02}T08:00:00+01:00", 30.0 - day, 0.3)
    meal(pantry, "2026-03-04T18:00:00+01:00", None, outcome="interrupted")
    meal(pantry, "2026-03-06T08:00:00+01:00", 20.0, outcome="held", steps=0)
    window.wait_received()
    pantry.wait_received()
    friday = "2026-03-06T17:00:00+01:00"
    for tank in (WINDOW, PANTRY):
        house.post(f"tanks/{tank}/readings", analyte="ph", value=7.1, unit="1", at=friday)
        house.post(f"tanks/{tank}/readings", analyte="temperature", value=22.5, unit="degC", at=friday)
        house.post(f"tanks/{tank}/readings", analyte="ammonia", value=0.25, kit="drops", at=friday, by="late desk")
        house.post(f"feeders/feeder-{tank}/weighins", mass_g=36.4, sd_g=0.1, at="2026-03-07T09:00:00+01:00")
        house.post(f"tanks/{tank}/handfeeds", mass_g=0.07, sd_g=0.02, at="2026-03-07T15:00:00+01:00", by="late desk")
    pantry.send("weight", {"boot": "b1", "mass_g": "<script>document.title='taken over'</script>"})
    until(lambda: house.api.get("rejects").json(), what="the message to be stored")
    yield house
    for device in house.devices.values():
        device.leave()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium", path=SYSTEM_PATH)
    assert program is not None, "chromium is not installed"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    with browser.new_context(viewport={"width": 1280, "height": 900}) as context:
        yield context


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """A page on which nothing may go wrong in a script or against the content policy."""
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None)
    yield page
    assert wrong == []


def week(house: House, tank: str) -> dict[str, Any]:
    return house.api.get(f"tanks/{tank}/week").json()  # type: ignore[no-any-return]


def first_dose(house: House, tank: str) -> int:
    return int(week(house, tank)["days"][0]["doses"][0]["entry"])


def all_pages(house: House) -> list[str]:
    dose = first_dose(house, WINDOW)
    return ["/", f"/tanks/{WINDOW}", f"/tanks/{PANTRY}", f"/tanks/{PANTRY}?start=2026-02-25", f"/tanks/{PANTRY}/enter",
            f"/tanks/{WINDOW}/doses/{dose}", "/devices", "/rejects", "/login", "/tanks/none"]  # fmt: skip


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


def most_colourful(page: Page) -> int:
    """The largest difference between the channels of any pixel of the whole page, 0 to 255."""
    picture = base64.b64encode(page.screenshot(full_page=True)).decode()
    eye = page.context.new_page()
    try:
        return eye.evaluate(
            """async (picture) => {
                const image = new Image();
                image.src = "data:image/png;base64," + picture;
                await image.decode();
                const canvas = new OffscreenCanvas(image.width, image.height).getContext("2d");
                canvas.drawImage(image, 0, 0);
                const { data } = canvas.getImageData(0, 0, image.width, image.height);
                let most = 0;
                for (let i = 0; i < data.length; i += 4) {
                    const three = [data[i], data[i + 1], data[i + 2]];
                    most = Math.max(most, Math.max(...three) - Math.min(...three));
                }
                return most;
            }""",
            picture,
        )
    finally:
        eye.close()


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
    page.goto(f"{spring.url}/tanks/{PANTRY}")
    wednesday = page.locator("table.days tbody tr:not(.remark)").nth(2)
    expect(wednesday).to_contain_text("at least")
    expect(page.locator("svg.week.wide .unknown-mark")).to_have_count(1)
    expect(page.locator("svg.week.wide .dose.lost")).to_have_count(1)
    expect(page.locator("svg.week.wide rect.hand")).to_have_count(1)


def test_a_dose_opens_as_its_ticket_with_the_message_as_it_came(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    page.locator("table.days a", has_text="Tue 3").click()
    page.locator("#day-2026-03-03 .ticket-link", has_text="08:00").click()
    dose = spring.devices[WINDOW].sent[3]
    expect(page.locator("pre")).to_have_text(json.dumps(dose))
    ticket = page.locator(".ticket")
    for word, value in (("Before", f"{dose['before_g']:.4f} g"), ("After", f"{dose['after_g']:.4f} g"),
                        ("Net", f"{dose['before_g'] - dose['after_g']:.4f} g"), ("Deviation", "0.0080 g"),
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


# -- forms -------------------------------------------------------------------------------------------------------------


def readings(house: House) -> list[dict[str, Any]]:
    return house.api.get(f"tanks/{WINDOW}/ledger", params={"kind": "reading"}).json()  # type: ignore[no-any-return]


def test_a_refused_form_keeps_what_was_typed_and_says_what_is_wrong(spring: House, page: Page) -> None:
    # WCAG 2.2, 3.3.1: the field in error is identified and described in text.
    before = readings(spring)
    page.goto(f"{spring.url}/tanks/{WINDOW}/enter")
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
    assert readings(spring) == before


@pytest.mark.parametrize(
    ("typed", "what"),
    [("1,000", "1000"), ("0x1", "found '0x1'"), ("1e5", "found '1e5'"), ("nan", "found 'nan'"), ("", "found nothing")],
)
def test_a_number_that_is_in_doubt_is_asked_again(spring: House, page: Page, typed: str, what: str) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}/enter")
    page.locator("#waterchange-volume_l").fill(typed)
    page.get_by_role("button", name="Write down the water change").click()
    expect(page.locator("#waterchange-volume_l")).to_have_accessible_description(re.compile(what))


def test_a_comma_is_a_decimal_point_and_a_time_is_the_tanks_own(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}/enter")
    form = page.locator("form#reading")
    form.get_by_label("What was measured").select_option("nitrate")
    form.get_by_label("Value").fill("12,5")
    form.get_by_label("Nitrogen stated as").select_option("ion")
    form.get_by_label("When").fill("2026-03-05T16:05")
    form.get_by_role("button").click()
    expect(page.get_by_role("status")).to_have_text("The reading is in the books.")
    (entered,) = [one for one in readings(spring) if one["analyte"] == "nitrate"]
    assert (entered["value"], entered["basis"]) == (12.5, "ion")
    assert datetime.fromisoformat(entered["at"]) == datetime.fromisoformat("2026-03-05T16:05:00+01:00")


def test_a_time_that_the_clocks_skipped_is_refused(spring: House, page: Page) -> None:
    # Europe/Berlin 2025-03-30 02:30 does not exist: IANA time zone database.
    page.goto(f"{spring.url}/tanks/{WINDOW}/enter")
    page.locator("#waterchange-volume_l").fill("10")
    page.locator("#waterchange-at").fill("2025-03-30T02:30")
    page.get_by_role("button", name="Write down the water change").click()
    expect(page.locator("#waterchange-at")).to_have_accessible_description(re.compile("skipped 02:30"))


def test_a_hand_feed_is_entered_below_what_was_fed_today(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{WINDOW}/enter")
    form = page.locator("form#handfeed")
    expect(form.locator("#fed-today")).to_contain_text("08:00 feeder-window")
    first = form.locator("#fed-today, input:not([type=hidden])").first
    expect(first).to_have_id("fed-today")
    form.get_by_label("Mass").fill("0.01")
    form.get_by_label("Who").fill("evening desk")
    form.get_by_role("button").click()
    page.goto(f"{spring.url}/tanks/{WINDOW}/enter")
    expect(page.locator("#fed-today")).to_contain_text("hand, evening desk: 0.01 g")


def test_other_entries_reach_the_books(spring: House, page: Page) -> None:
    def send(what: str, fields: dict[str, str], kind: str) -> dict[str, Any]:
        page.goto(f"{spring.url}/tanks/{PANTRY}/enter")
        for name, value in fields.items():
            control = page.locator(f"#{what}-{name}")
            if control.evaluate("e => e.tagName") == "SELECT":
                control.select_option(value)
            else:
                control.fill(value)
        page.locator(f"form#{what} button").click()
        expect(page.get_by_role("status")).to_contain_text("in the books")
        return spring.api.get(f"tanks/{PANTRY}/ledger", params={"kind": kind}).json()[-1]  # type: ignore[no-any-return]

    assert send("weighin", {"feeder": "feeder-pantry", "mass_g": "33,25", "sd_g": "0,05"}, "weighin")["mass_g"] == 33.25
    assert send("refill", {"feeder": "feeder-pantry", "added_g": "10"}, "refill")["added_g"] == 10
    assert send("waterchange", {"volume_l": "15"}, "water-change")["volume_l"] == 15
    assert send("note", {"kind": "filter", "text": "rinsed", "count": "1"}, "note")["text"] == "rinsed"


def test_the_same_form_sent_twice_is_one_entry(spring: House) -> None:
    def notes() -> int:
        return len(spring.api.get(f"tanks/{PANTRY}/ledger", params={"kind": "note"}).json())

    def send(text: str) -> int:
        form = {"client_ref": "one-and-the-same", "kind": "other", "text": text}
        return httpx.post(f"{spring.url}/tanks/{PANTRY}/enter/note", data=form).status_code

    before = notes()
    assert [send("snail seen"), send("snail seen")] == [303, 303]
    assert notes() == before + 1
    assert send("two snails seen") == 303
    assert notes() == before + 2, "a form that was changed before it was sent again is another entry"


def test_a_form_larger_than_anybody_types_is_refused(spring: House) -> None:
    answer = httpx.post(f"{spring.url}/tanks/{PANTRY}/enter/note", content=b"text=" + b"x" * 70_000)
    assert answer.status_code == 413


# -- live: these change the pantry's state and come last ---------------------------------------------------------------


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


def test_a_hold_that_nobody_confirms_says_so_and_leaves_typing_alone(spring: House, page: Page) -> None:
    device = spring.devices[PANTRY]
    device.applies = False
    page.goto(f"{spring.url}/tanks/{PANTRY}")
    page.evaluate("window.stillTheSame = true")
    page.locator("#day-2026-03-03 summary").click()
    page.locator("#hold-by").fill("half a na")
    spring.post(f"tanks/{PANTRY}/readings", analyte="ammonia", value=4, kit="drops")
    message = page.locator("#hold .message strong")
    expect(message).to_have_text("held: asked, not confirmed")
    expect(page.locator("#water .crossed")).to_have_count(1)
    expect(page.locator("#day-2026-03-03")).to_have_attribute("open", "")
    expect(page.locator("#hold-by")).to_have_value("half a na")

    spring.clock.at_ms += 61_000
    expect(message).to_contain_text("not confirmed, unplug the feeder", timeout=15_000)
    expect(page.locator("#hold")).to_have_class(re.compile("alarm"))
    assert Axe().run(page).violations_count == 0

    device.applies = True
    device.say_applied()
    expect(message).to_have_text("held")
    assert page.evaluate("window.stillTheSame") is True


def test_a_release_without_a_reading_is_refused_beside_its_form(spring: House, page: Page) -> None:
    spring.post(f"tanks/{PANTRY}/readings", analyte="ammonia", value=4, kit="drops")
    page.goto(f"{spring.url}/tanks/{PANTRY}")
    page.get_by_role("link", name="Release the hold").click()
    page.locator("#release-note").fill("looks fine to me")
    page.get_by_role("button", name="Release").click()
    refusal = page.locator("#form-release").get_by_role("alert")
    expect(refusal).to_contain_text("a reading newer than the hold")
    expect(refusal).to_be_focused()
    expect(page.locator("#release-note")).to_have_value("looks fine to me")
    expect(page.locator("#hold .message")).to_contain_text("held")

    spring.clock.at_ms += 1000
    spring.post(f"tanks/{PANTRY}/readings", analyte="ammonia", value=0.25, kit="drops")
    page.get_by_role("button", name="Release").click()
    expect(page.get_by_role("status")).to_contain_text("The release is in the books")
    expect(page.locator("#hold .message")).to_contain_text("feeding")


def test_a_person_can_hold_feeding(spring: House, page: Page) -> None:
    page.goto(f"{spring.url}/tanks/{PANTRY}")
    page.locator("#hold-reason").fill("the filter stands still")
    page.get_by_role("button", name="Hold").click()
    expect(page.locator("#hold .reasons")).to_contain_text("the filter stands still")
    expect(page.locator("#hold .message")).to_contain_text("held")


def test_the_picture_for_the_readme(spring: House, page: Page) -> None:
    """Written where TARELINE_PICTURE says; without it the picture is only taken."""
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{spring.url}/tanks/{WINDOW}")
    expect(page.locator("svg.week.wide .whisker").first).to_be_visible()
    picture = page.screenshot()
    assert picture.startswith(b"\x89PNG")
    if "TARELINE_PICTURE" in os.environ:
        Path(os.environ["TARELINE_PICTURE"]).write_bytes(picture)
