"""The page of alerts in a real browser: legible, complete without JavaScript, and live."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from pages_house import WallClock, ms
from playwright.sync_api import Browser, Page, expect
from receiver import Receiver
from servers import free_port
from waiting import until

from tareline.core.alerts.alert import Concern
from tareline.service import Service
from tareline.settings import Settings
from tareline.web.app import make_app
from tareline.web.events import Hub

pytest_plugins = ["pages_fixtures"]

NOON_MS = ms("2026-03-08T12:00:00+01:00")
HELD = Concern(
    "hold/window", "hold", "window", NOON_MS, "Feeding is held",
    "Ammonia was 2.5 mg/L as N at 11:52, by drops.\nWhat to do: change half the water, and measure again.",
    urgent=True,
)  # fmt: skip
RISING = Concern("rising/window/nitrate", "rising", "window", NOON_MS - 86_400_000, "Nitrate <rises>", "Since Monday.")
SILENT = Concern("device/probe", "device", None, NOON_MS, "probe-1 is silent", "Look at its plug.")


@dataclass
class Told:
    """A service in this process that tells two receivers, of which one is not there; concerns are put in by hand."""

    service: Service
    url: str
    receiver: Receiver

    def look(self, *concerns: Concern) -> None:
        with self.service.context.write() as tx:
            self.service.alerts.record(tx, concerns, self.service.context.stamp_ms())
        self.service.context.announce("alert", "window")


@pytest.fixture
def told(tmp_path: Any) -> Iterator[Told]:
    receiver = Receiver().start()
    http = f"127.0.0.1:{free_port()}"
    hooks = [receiver.url, f"http://127.0.0.1:{free_port()}/"]
    settings = Settings.model_validate(
        {"store": {"url": f"sqlite:///{tmp_path}/t.db"}, "http": {"listen": http}, "notify": {"webhooks": hooks}}
    )
    service, hub = Service(settings, WallClock(NOON_MS)), Hub()
    service.add_thing("tank", {"id": "window", "name": "W" * 60, "volume_l": 54, "timezone": "Europe/Berlin"})
    server = uvicorn.Server(uvicorn.Config(make_app(service, hub), port=settings.http.port, log_config=None))
    thread = threading.Thread(target=server.run)
    thread.start()
    until(lambda: server.started, what="the pages to be served")
    made = Told(service, f"http://{http}", receiver)
    made.look(HELD, RISING, SILENT)
    made.look(RISING, SILENT)
    yield made
    hub.close()
    server.should_exit = True
    thread.join(20)
    service.stop()
    receiver.stop()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(told: Told, page: Page, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.2 A and AA, with targets of 24 px (2.5.8); 1.4.10: 320 CSS pixels.
    page.emulate_media(color_scheme=scheme)
    told.service.alerts.seen(told.service.alerts.list("open")[0].id, {"by": "ada", "note": "n" * 200})
    page.goto(f"{told.url}/alerts")
    page.get_by_role("button", name="Send a test message").click()
    expect(page.get_by_text("did not accept the test message")).to_have_count(1)
    found = Axe().run(page, options={"rules": {"target-size": {"enabled": True}}})
    assert found.violations_count == 0, found.generate_report()
    for width in (320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_without_javascript_an_alert_is_seen_with_a_note(told: Told, browser: Browser) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{told.url}/")
        page.get_by_role("link", name="Alerts", exact=True).click()
        assert page.locator("#lasting-title ~ .forms form").count() == 2
        form = page.get_by_role("form", name="Nitrate <rises>")
        form.get_by_label("What you do about it").fill("smaller meals")
        form.get_by_label("Who").fill("ada")
        form.get_by_role("button").click()
        expect(page.get_by_role("status")).to_contain_text("not sent again unless it gets worse")
        assert page.url.endswith("/alerts?said=seen")
        expect(page.get_by_text("Note: smaller meals")).to_have_count(1)
        over = page.locator("#over-title ~ ul")
        expect(over).to_contain_text("Feeding is held")
        expect(over).to_contain_text("change half the water")
    (seen,) = told.service.alerts.list("seen")
    assert (seen.what, seen.seen_by) == ("Nitrate <rises>", "ada")


def test_what_was_typed_stays_when_it_is_refused(told: Told, page: Page) -> None:
    page.goto(f"{told.url}/alerts")
    form = page.get_by_role("form", name="probe-1 is silent")
    form.get_by_label("What you do about it").fill("new plug")
    form.get_by_label("Who").fill("a" * 201)
    form.get_by_role("button").click()
    form = page.get_by_role("form", name="probe-1 is silent")
    expect(form.get_by_label("Who")).to_be_focused()
    expect(form.get_by_label("What you do about it")).to_have_value("new plug")
    assert told.service.alerts.list("seen") == []


def test_what_gets_worse_appears_by_itself(told: Told, page: Page) -> None:
    page.goto(f"{told.url}/alerts")
    expect(page.get_by_role("form", name="Feeding is held")).to_have_count(0)
    told.look(HELD, RISING, SILENT)
    expect(page.get_by_role("form", name="Feeding is held")).to_have_count(1)
    told.look(HELD, replace(RISING, grade=1, text="It reaches the ceiling in June."), SILENT)
    expect(page.get_by_text("It reaches the ceiling in June.")).to_have_count(1)


def test_one_click_tells_every_address(told: Told, page: Page) -> None:
    page.goto(f"{told.url}/alerts")
    page.get_by_role("button", name="Send a test message").click()
    expect(page.get_by_role("status")).to_contain_text("accepted the test message")
    assert [said["kind"] for said in told.receiver.taken] == ["test"]
