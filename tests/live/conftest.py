"""Fixtures of the live tests: a broker, a service, and a household around them.

`household` has servers of its own, which a test may kill; `common` shares one pair of servers between a module's
tests, each with a tank and a feeder of its own, and must leave them running.
"""

import itertools
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from desk import Ear
from device import Device
from servers import SAVED, Broker, Service
from waiting import until

FULL = os.environ.get("TARELINE_FULL") == "1"
_numbers = itertools.count(1)


class Household:
    """A tank with a food, a feeder and a ration, and how to reach everything."""

    def __init__(self, broker: Broker, service: Service, token: str = "") -> None:
        self.broker, self.service = broker, service
        self.url = service.url
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        self.api = httpx.Client(base_url=f"{service.url}/api/v1", timeout=20, headers=headers)
        self._devices: list[Device] = []
        self.number = next(_numbers)
        self.tank, self.food, self.feeder = (f"{what}-{self.number}" for what in ("tank", "food", "feeder"))

    def furnish(self, **tank: Any) -> "Household":
        """Register an invented tank, its food, its feeder and a ration of one gram a day."""
        self.add_tank(self.tank, **tank)
        self.post("/foods", id=self.food, name="windowsill flakes", protein_percent=42.0)
        self.add_feeder(self.feeder)
        self.ration(1.0, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
        return self

    def add_tank(self, tank: str, **other: Any) -> None:
        body = {"id": tank, "name": "reading room", "volume_l": 60.0, "timezone": "UTC", **other}
        self.post("/tanks", **body)

    def add_feeder(self, feeder: str, tank: str | None = None) -> None:
        self.post("/feeders", id=feeder, tank=tank or self.tank, food=self.food)

    def ration(self, daily_g: float, cap_g: float, meals: list[tuple[Any, ...]], **other: Any) -> httpx.Response:
        named = [dict(zip(("at", "share", "feeder"), meal, strict=False)) for meal in meals]
        body = {"daily_g": daily_g, "cap_g": cap_g, "meals": named, **other}
        return self.api.put(f"/tanks/{self.tank}/ration", json=body)

    def post(self, path: str, **body: Any) -> dict[str, Any]:
        """POST that must create something."""
        answer = self.api.post(path, json=body)
        assert answer.status_code == 201, answer.text
        made: dict[str, Any] = answer.json()
        return made

    def reading(self, analyte: str = "ammonia", value: float = 2.5, **other: Any) -> dict[str, Any]:
        body = {"analyte": analyte, "value": value, "unit": "mg/L", **({"basis": "N"} if analyte == "ammonia" else {})}
        return self.post(f"/tanks/{self.tank}/readings", **{**body, **other})

    def get(self, path: str, **query: Any) -> Any:
        answer = self.api.get(path, params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def hold(self) -> dict[str, Any]:
        hold: dict[str, Any] = self.get(f"/tanks/{self.tank}/hold")
        return hold

    def ledger(self, kind: str | None = None, tank: str | None = None) -> list[dict[str, Any]]:
        """All entries of a tank, page after page."""
        found: list[dict[str, Any]] = []
        while True:
            query = {"kind": kind} if kind is not None else {}
            after = {"after": found[-1]["entry"]} if found else {}
            page = self.get(f"/tanks/{tank or self.tank}/ledger", **query, **after)
            if not page:
                return found
            found += page

    def doses(self) -> list[dict[str, Any]]:
        """What the ledger says of doses now: first entries with their last corrections in their place."""
        standing = [e for e in self.ledger("dose") if not e["corrected_by"] and not e["void"]]
        return sorted(standing, key=lambda e: (e["at"], e["seq"]))

    def rejects(self, device: str | None = None) -> list[dict[str, Any]]:
        return [r for r in self.get("/rejects") if r["device"] == (device or self.feeder)]

    def entries_of_device(self, kind: str, tank: str | None = None) -> list[dict[str, Any]]:
        return self.ledger(kind, tank)

    def device(self, name: str | None = None, connect: bool = True, **knobs: Any) -> Device:
        """A test device, connected; by default the feeder's."""
        made = Device(name or self.feeder, self.broker.port, **knobs)
        self._devices.append(made)
        return made.connect().wait_connected() if connect else made

    def metric(self, name: str, **labels: str) -> float:
        """One value of /metrics; 0 where it is not there."""
        wanted = "{" + ",".join(f'{k}="{v}"' for k, v in labels.items()) + "}" if labels else ""
        for line in httpx.get(f"{self.url}/metrics", timeout=20).text.splitlines():
            if line.startswith(f"{name}{wanted} "):
                return float(line.rpartition(" ")[2])
        return 0.0

    def until(self, condition: Callable[[], Any], timeout: float = 20.0, what: str | Callable[[], object] = "") -> Any:
        return until(condition, timeout, what or (lambda: self.service.log[-3000:]))

    def close(self) -> None:
        for device in self._devices:
            device.leave()
        self.api.close()


@pytest.fixture
def broker(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Broker]:
    """A broker of the test's own; its way to save may be given as the fixture's parameter."""
    made = Broker(tmp_path, getattr(request, "param", SAVED))
    made.start()
    yield made
    made.close()


@pytest.fixture
def service(broker: Broker, tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path, broker.url)
    made.start()
    yield made
    made.close()


@pytest.fixture
def household(broker: Broker, service: Service) -> Iterator[Household]:
    made = Household(broker, service).furnish()
    yield made
    made.close()


@pytest.fixture(scope="module")
def common_servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Broker, Service]]:
    """Anew for each module: a change of what there is plans every feeder anew, so hundreds slow each other down."""
    folder = tmp_path_factory.mktemp("common")
    broker = Broker(folder)
    broker.start()
    service = Service(folder, broker.url)
    service.start()
    yield broker, service
    service.close()
    broker.close()


@pytest.fixture
def bare(common_servers: tuple[Broker, Service]) -> Iterator[Household]:
    """On the shared servers, with nothing registered yet."""
    made = Household(*common_servers)
    yield made
    made.close()


@pytest.fixture
def common(bare: Household) -> Household:
    """On the shared servers, furnished."""
    return bare.furnish()


@pytest.fixture
def ear(household: Household) -> Iterator[Ear]:
    """Hears what the household's devices say."""
    made = Ear(household.broker)
    yield made
    made.close()
