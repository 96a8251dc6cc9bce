"""Running the service until it is told to stop: streams end first, so that a page left open cannot keep it alive."""

import logging
import signal
import socket
from collections.abc import Callable
from types import FrameType

import uvicorn

from tareline.clock import Clock
from tareline.service import Service
from tareline.settings import Settings
from tareline.web.app import make_app
from tareline.web.events import Hub

log = logging.getLogger(__name__)


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, hub: Hub, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._hub = hub
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._hub.close()
        super().handle_exit(sig, frame)


def serve(settings: Settings, clock: Clock, ready: Callable[[], None]) -> int:
    """Serve until SIGINT or SIGTERM; returns the exit code, 1 when the store failed.

    ready is called once pages can be asked for. Raises StoreError where the store cannot be opened.
    """
    hub = Hub()
    server: _Server | None = None
    failed: list[str] = []

    def on_broken(reason: str) -> None:
        log.critical("%s", reason)
        failed.append(reason)
        hub.close()
        if server is not None:
            server.should_exit = True

    service = Service(settings, clock, on_broken)
    config = uvicorn.Config(
        make_app(service, hub),
        host=settings.http.host,
        port=settings.http.port,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=5,
        server_header=False,
    )
    server = _Server(config, hub, ready)
    for number in (signal.SIGINT, signal.SIGTERM):
        # uvicorn raises the signal again once it has ended; it must not end this process before the store is closed.
        signal.signal(number, lambda *_: None)
    service.start()
    try:
        server.run()
    finally:
        service.stop()
    return 1 if failed or not server.started else 0
