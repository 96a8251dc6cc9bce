"""For the tests of the pages: a real browser, and a real service over a real broker whose wall clock stands still.

Most tests look at a spring week of an invented library's tanks, on that week's Sunday evening: the service runs in this
process, over the common broker, under a root of its own. Tests only look at `spring`; one that changes anything takes a
`corner`, a tank and a feeder of its own. The wall clock may be moved on by a minute or so, and never back.
"""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import httpx
from device import Device

from tareline.clock import SystemClock

ZONE = "Europe/Berlin"
WINDOW, PANTRY = "window", "pantry"


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
        return answer.json()

    def now(self) -> datetime:
        """Its wall clock, in the time zone of its tanks."""
        return datetime.fromtimestamp(self.clock.at_ms / 1000, ZoneInfo(ZONE))

    def tank(self, tank: str, name: str) -> Device:
        """A stocked tank with a feeder that has a ration of 0.6 g in two meals."""
        feeder = f"feeder-{tank}"
        self.post("tanks", id=tank, name=name, volume_l=54, timezone=ZONE)
        self.post("feeders", id=feeder, tank=tank, food="flakes")
        meals = [{"at": "08:00", "share": 0.5}, {"at": "18:00", "share": 0.5}]
        answer = self.api.put(f"tanks/{tank}/ration", json={"daily_g": 0.6, "cap_g": 0.9, "meals": meals})
        assert answer.is_success, answer.text
        self.devices[tank] = Device(feeder, self.port, root=self.root).connect().wait_connected()
        return self.devices[tank]


@dataclass
class Corner:
    """A tank and a feeder that only one test uses, in the house of the others."""

    house: House
    tank: str
    device: Device

    @property
    def page(self) -> str:
        return f"{self.house.url}/tanks/{self.tank}"

    @property
    def feeder(self) -> str:
        return self.device.name

    def post(self, path: str, **body: Any) -> dict[str, Any]:
        return self.house.post(f"tanks/{self.tank}/{path}", **body)

    def ledger(self, kind: str) -> list[dict[str, Any]]:
        return self.house.api.get(f"tanks/{self.tank}/ledger", params={"kind": kind}).json()


def meal(device: Device, at: str, before_g: float | None, net_g: float = 0.0, **other: Any) -> None:
    """A planned dose; a before_g of None is one that was not weighed."""
    after_g, sd_g = (None, None) if before_g is None else (round(before_g - net_g, 4), 0.008)
    body: dict[str, Any] = {"meal": f"{at[:10]}/{at[11:16]}", "cause": "plan", "target_g": 0.3, "steps": 150}
    device.dose(at_ms=ms(at), before_g=before_g, after_g=after_g, sd_g=sd_g, **body | other)
