"""A service in this process for unit tests: its own store in a file, a clock that stands, and no broker.

What it would send is kept in `sent`, in order; what devices say is put in by hand. Everything else is the real thing.
"""

import atexit
import json
import shutil
import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from tareline.app.answers.alerts import AlertAnswer
from tareline.app.answers.days import DayAnswer
from tareline.app.answers.entries import LedgerAnswer, MadeAnswer, RejectAnswer
from tareline.app.answers.feeding import HoldAnswer
from tareline.app.answers.things import ThingAnswer
from tareline.clock import ManualClock
from tareline.mqtt.link import Down
from tareline.mqtt.messages import Message
from tareline.service import Service
from tareline.settings import Settings

NOON_MS = 1_749_988_800_000  # 2025-06-15T12:00:00Z
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
TANK, FEEDER, FOOD = "shelf", "feeder", "flakes"


class House:
    """One tank with one feeder and a ration of 1 g (cap 2 g) at 08:00 and 18:00 UTC, at noon."""

    def __init__(self, folder: Path, now_ms: int = NOON_MS, **settings: Any) -> None:
        self.folder = folder
        self.settings = settings
        self.clock = ManualClock(now_ms)
        self.sent: list[Down] = []
        self.broken: list[str] = []
        self.open()

    @classmethod
    def furnished(cls, folder: Path, **settings: Any) -> "House":
        """Such a house, moved into quickly: what is in its store was written once for all tests."""
        shutil.copyfile(_template(), folder / "house.db")
        return cls(folder, **settings)

    def open(self) -> None:
        """Start the service on what is on disk: as after a restart."""
        store = {"url": f"sqlite:///{self.folder / 'house.db'}"}
        settings = Settings.model_validate({"store": store, **self.settings})
        self.service = Service(settings, self.clock, self.broken.append)
        self.service.link.publish = self._publish  # type: ignore[method-assign]
        self.connect()

    def connect(self) -> None:
        """What a connection to the broker is told first."""
        self.sent.extend(self.service.greeting())

    def close(self) -> None:
        self.service.stop()

    def restart(self) -> None:
        self.close()
        self.open()

    def _publish(self, messages: Sequence[Down]) -> None:
        self.sent.extend(messages)

    def furnish(self) -> "House":
        self.add("tank", id=TANK, name="reading room", volume_l=60, timezone="UTC")
        self.add("food", id=FOOD, name="windowsill flakes", protein_percent=42)
        self.add("feeder", id=FEEDER, tank=TANK, food=FOOD)
        self.ration(1.0, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
        return self

    # -- what people enter -------------------------------------------------------------------------------------------

    def add(self, kind: str, **body: Any) -> ThingAnswer:
        return self.service.add_thing(kind, body)

    def ration(self, daily_g: float, cap_g: float, meals: list[tuple[Any, ...]], tank: str = TANK, **other: Any) -> Any:
        named = [dict(zip(("at", "share", "feeder"), meal, strict=False)) for meal in meals]
        body = {"daily_g": daily_g, "cap_g": cap_g, "meals": named, **other}
        return self.service.feeding.put_ration(tank, body)

    def reading(self, analyte: str, value: float, tank: str = TANK, **other: Any) -> MadeAnswer:
        units = {"ph": ("1", None), "temperature": ("degC", None), "kh": ("dKH", None), "tds": ("mg/L", None)}
        unit, basis = units.get(analyte, ("mg/L", "N"))
        body = {"analyte": analyte, "value": value, "unit": unit, "basis": basis, **other}
        return self.service.entries.add("reading", tank, body)

    # -- what devices say --------------------------------------------------------------------------------------------

    def message(self, tail: str, body: Any, device: str = FEEDER, retained: bool = False) -> Message:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        return Message(f"tareline/{device}/up/{tail}", payload, self.clock.now_ms(), retained)

    def dose(self, seq: int, device: str = FEEDER, **other: Any) -> Message:
        return self.message("dose", self.dose_body(seq, **other), device)

    def dose_body(self, seq: int, **other: Any) -> dict[str, Any]:
        body = {
            "journal": "journal",
            "seq": seq,
            "boot": "boot",
            "at_ms": self.clock.now_ms(),
            "uptime_ms": 1000 * seq,
            "meal": None,
            "cause": "command",
            "target_g": 0.25,
            "steps": 250,
            "before_g": 50.0,
            "after_g": 49.75,
            "sd_g": 0.02,
            "temperature_c": 23.0,
            "outcome": "ok",
        }
        return {**body, **other}

    def hello(self, device: str = FEEDER, retained: bool = False, **other: Any) -> Message:
        body = {
            "boot": "boot",
            "uptime_ms": 1000,
            "board": "board",
            "journal": "journal",
            "kind": "feeder",
            "firmware": "test",
            "clock": "set",
            "journal_from": 1,
            "journal_to": 0,
        }
        return self.message("hello", {**body, **other}, device, retained)

    def online(self, device: str = FEEDER, online: bool = True) -> Message:
        return self.message("status", {"online": online}, device)

    def confirm(self, device: str = FEEDER, boot: str = "boot") -> None:
        """The device says that what was sent last is in force."""
        versions = {f"{tail}_version": (self.last(tail, device) or {}).get("version", 0) for tail in ("plan", "hold")}
        self.hear(self.message("applied", {"boot": boot, **versions}, device))

    def hear(self, *messages: Message) -> None:
        """One batch, and what follows from it."""
        self.service.take(messages)
        self.service.settle()

    def samples(self, points: Sequence[tuple[int, float, float | None]], device: str = "probe") -> None:
        """A probe's samples, (UNIX ms, degC, S/m or None), in packs as they come over the wire."""
        for first in range(0, len(points), 200):
            pack: list[dict[str, Any]] = []
            for at_ms, celsius, siemens in points[first : first + 200]:
                pack.append({"n": "temperature", "u": "Cel", "t": at_ms / 1000, "v": celsius})
                if siemens is not None:
                    pack.append({"n": "conductivity", "u": "S/m", "t": at_ms / 1000, "v": siemens})
            pack[0] = {"bn": f"{device}/", **pack[0]}
            self.hear(self.message("samples", pack, device))

    def watch(self) -> list[AlertAnswer]:
        """One look of the watcher; the alerts that last, oldest first."""
        self.service.watch()
        return [one for one in reversed(self.service.alerts.list()) if one.state != "cleared"]

    def pass_time(self, ms: int, step_ms: int = 1000, promising: bool = False) -> None:
        """Let time pass, ticking as the link does. promising: the feeder says each time that it sends doses again."""
        for _ in range(0, ms, step_ms):
            before = len(self.told("command"))
            self.clock.advance(step_ms)
            self.service.tick()
            if promising:
                asked = [one["id"] for one in self.told("command")[before:] if one["do"] == "resend"]
                self.hear(*[self.message("reply", {"id": one, "ok": True}) for one in asked])

    # -- what came of it ---------------------------------------------------------------------------------------------

    def told(self, tail: str, device: str = FEEDER) -> list[dict[str, Any]]:
        """Everything sent to a device under down/."""
        return [json.loads(m.payload) for m in self.sent if m.topic == f"{device}/down/{tail}"]

    def last(self, tail: str, device: str = FEEDER) -> dict[str, Any] | None:
        found = self.told(tail, device)
        return found[-1] if found else None

    def ledger(self, kind: str | None = None, tank: str = TANK) -> list[LedgerAnswer]:
        return self.service.ledger.page(tank, None, None, kind, None)

    def standing(self, kind: str, tank: str = TANK) -> list[LedgerAnswer]:
        return [e for e in self.ledger(kind, tank) if not e.corrected_by and not e.void]

    def doses(self, tank: str = TANK) -> dict[int, LedgerAnswer]:
        """What stands in the books, by sequence number."""
        return {e.seq: e for e in self.standing("dose", tank)}

    def rejects(self) -> list[RejectAnswer]:
        return self.service.ledger.rejects()

    def hold(self, tank: str = TANK) -> HoldAnswer:
        return self.service.hold_states.hold(tank)

    def today(self, tank: str = TANK) -> DayAnswer:
        return self.service.tanks.overview()[[t.id for t in self.service.tanks.all()].index(tank)].today


@lru_cache(maxsize=1)
def _template() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="house-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    House(folder).furnish().close()
    return folder / "house.db"
