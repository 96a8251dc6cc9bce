"""The real service in the seeded world: its own store in a file, the world's broker instead of the link's thread, and
a death that can come between any two steps, or in a commit."""

import shutil
import tempfile
from collections.abc import Callable, Sequence
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from network import Link
from sim_board import ROOT
from sqlalchemy import event
from sqlalchemy.util import LRUCache

from tareline.clock import ManualClock
from tareline.errors import FieldError
from tareline.mqtt.link import Down
from tareline.mqtt.messages import Message
from tareline.service import Service
from tareline.settings import Settings

if TYPE_CHECKING:
    from world import World

TANK = "shelf"
MEMORY = Path("/dev/shm")


class KilledError(BaseException):
    """The service's process has ended: nothing of it runs any more."""


class Shell:
    """The service and its connection; `service` is None while it does not run.

    kill(steps): it dies at that point from now, of those between its steps and before its commits.
    """

    def __init__(self, world: "World", zone: str, feeders: Sequence[str]) -> None:
        self.world = world
        self.rng = world.random("service")
        self.folder = _folder()
        self.clock = ManualClock(world.now_ms)
        self.service: Service | None = None
        self.acted: set[str] = set()
        self._kill_in: int | None = None
        self._serving = False
        self.link = Link(
            world.broker,
            world.random("service/link"),
            lambda topic: "/up/" in topic or topic.endswith("/down/plan"),
            True,
            self._heard,
        )
        (self.folder / "world.db").write_bytes(_template())
        self.open()
        self.enter(lambda service: service.add_thing("tank", _tank(zone)))
        self.enter(lambda service: service.add_thing("food", {"id": "flakes", "name": "flakes", "protein_percent": 42}))
        for name in feeders:
            feeder = {"id": name, "tank": TANK, "food": "flakes"}
            self.enter(partial(Service.add_thing, kind="feeder", body=feeder))

    def open(self) -> None:
        settings = Settings.model_validate({"store": {"url": f"sqlite:///{self.folder / 'world.db'}"}})
        self.service = service = Service(settings, self.clock, None)
        service.link.publish = self._publish  # type: ignore[method-assign]
        event.listen(service.context.store._writer, "commit", lambda _: self._point())
        for engine in (service.context.store._writer, service.context.store._reader):
            engine._compiled_cache = _COMPILED  # the same statements in every world of a process: compile them once
        self.world.connect_soon(self.link, self.rng)

    def close(self) -> None:
        """The process ends: its connection, its memory, its transaction."""
        service, self.service = self.service, None
        self._kill_in = None
        if self.link.connected:  # of what it wrote to its socket, some may be on its way all the same
            for packet in self.link.outbox[: self.rng.randrange(len(self.link.outbox) + 1)]:
                self.world.broker.publish(packet.topic, packet.payload, packet.retained, packet.qos)
        self.link.drop()
        self.link.forget()
        if service is not None:
            service.stop()

    def remove(self) -> None:
        self.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def kill(self, steps: int) -> None:
        self._kill_in = steps

    def spare(self) -> None:
        self._kill_in = None

    def _point(self) -> None:
        if self._kill_in is not None:
            self._kill_in -= 1
            if self._kill_in <= 0:
                self._kill_in = None
                raise KilledError

    def _guard(self, act: Callable[[Service], Any]) -> Any:
        if self.service is None:
            return None
        try:
            return act(self.service)
        except FieldError:
            self.world.count("entries refused")
        except KilledError:
            self.world.count("service killed")
            self.close()
            self.world.service_killed()
            self.world.at(self.world.now_ms + self.world.down_ms(self.rng), self.open_again)
        return None

    def open_again(self) -> None:
        if self.service is None and not self.world.service_away:
            self.open()

    def enter(self, act: Callable[[Service], Any]) -> Any:
        """Somebody enters something; a refusal is an answer like another."""
        return self._guard(act)

    # The link's part

    def _publish(self, messages: Sequence[Down]) -> None:
        for down in messages:
            self._point()
            if self.link.connected:
                self.link.publish(ROOT + down.topic, down.payload, down.retain, down.qos)

    def connected(self) -> None:
        """Subscribed: the greeting goes out."""
        self._guard(lambda service: self._publish(service.greeting()))

    def _heard(self) -> None:
        if self.link.inbox and not self._serving:
            self._serving = True
            self.world.at(self.world.now_ms + self.rng.randrange(2, self.rng.choice((100, 3000))), self.serve)

    def serve(self) -> None:
        """Take what has come as one batch, acknowledge it, settle."""
        self._serving = False
        self._guard(self._serve)

    def _serve(self, service: Service) -> None:
        batch, self.link.inbox = self.link.inbox, []
        if not batch:
            return
        self._point()
        now_ms = self.world.now_ms
        service.take([Message(p.topic, p.payload, now_ms, p.retained) for p in batch])
        self._point()
        for packet in batch:
            self.link.acknowledge(packet)
        self._point()
        service.settle()
        self.world.count("batches", 1)

    def tick(self) -> bool:
        """Returns whether doses are missing of a device that is there, so that the next tick matters soon."""
        self._guard(lambda service: service.tick())
        if self.service is None:
            return False
        states = self.service.device_states
        known = states.devices
        lacking = [device for (device, _), track in states.tracks.items() if track.missing()]
        return any(known[device].online for device in lacking if device in known)


def _tank(zone: str) -> dict[str, Any]:
    return {"id": TANK, "name": "reading room", "volume_l": 60, "timezone": zone}


_COMPILED: LRUCache[Any, Any] = LRUCache(2000)


def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="world-", dir=MEMORY if MEMORY.is_dir() else None))


@cache
def _template() -> bytes:
    """An empty store, migrated once for all worlds of a process."""
    folder = _folder()
    settings = Settings.model_validate({"store": {"url": f"sqlite:///{folder / 'world.db'}"}})
    Service(settings, ManualClock(1_700_000_000_000)).stop()
    content = (folder / "world.db").read_bytes()
    shutil.rmtree(folder)
    return content
