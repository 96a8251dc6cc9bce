"""Fixtures of the tests of the pages: the house, its spring week, and a browser. Test files name it as their plugin."""

import itertools
import shutil
import threading
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import uvicorn
from pages_house import PANTRY, WINDOW, Corner, House, WallClock, meal, ms
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from servers import SYSTEM_PATH, free_port
from waiting import until

from tareline.service import Service
from tareline.settings import Broker as BrokerSettings
from tareline.settings import Http, Notify, Settings, StoreSettings
from tareline.web.app import make_app
from tareline.web.events import Hub

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
NETS_G = (0.301, 0.287, 0.295, 0.291, 0.302, 0.299, 0.284, 0.279, 0.298, 0.291, 0.273, 0.242, 0.294, 0.300)
_numbers = itertools.count(1)


@pytest.fixture(scope="module")
def house(
    common_servers: Any, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[House]:
    broker = common_servers[0]
    root = f"tareline/{request.module.__name__}"
    clock = WallClock(ms("2026-03-01T12:00:00+01:00"))
    settings = Settings(
        broker=BrokerSettings(url=broker.url, root=root),
        store=StoreSettings(url=f"sqlite:///{tmp_path_factory.mktemp('pages')}/books.db"),
        http=Http(listen=f"127.0.0.1:{free_port()}"),
        notify=Notify(others={"the desk": [f"http://127.0.0.1:{free_port()}/"]}),
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


def open_alerts(house: House, tank: str) -> list[Any]:
    return [alert for alert in house.api.get("alerts", params={"state": "open"}).json() if alert["tank"] == tank]


def _see_that_all_is_well(house: House) -> None:
    """Wait for the watcher to see that all has been measured. If it looked while the week was being told, what it saw
    then takes an hour of good news to clear, and the clock stands."""

    def calm() -> bool:
        return not open_alerts(house, WINDOW)

    try:
        until(calm)
    except AssertionError:
        house.clock.at_ms += 61 * 60_000
        until(calm, 60, lambda: open_alerts(house, WINDOW))


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
    # A good week is one in which nothing is left unmeasured that a line rests on.
    for analyte, value, unit, basis in (("nitrite", 0.02, "mg/L", "N"), ("nitrate", 12.5, "mg/L", "ion"),
                                        ("kh", 5, "dKH", None)):  # fmt: skip
        house.post(f"tanks/{WINDOW}/readings", analyte=analyte, value=value, unit=unit, basis=basis, at=friday)
    pantry.send("weight", {"boot": "b1", "mass_g": "<script>document.title='taken over'</script>"})
    until(lambda: house.api.get("rejects").json(), what="the message to be stored")
    _see_that_all_is_well(house)
    yield house
    for device in house.devices.values():
        device.leave()


@pytest.fixture
def corner(spring: House) -> Corner:
    tank = f"corner-{next(_numbers)}"
    return Corner(spring, tank, spring.tank(tank, tank.capitalize()))


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
