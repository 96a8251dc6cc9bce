"""A receiver of messages over real HTTP that can be down, slow, out of order, or hang up midway."""

import json
import socket
import threading
from collections import Counter
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Literal

from servers import free_port

Mood = Literal["well", "slow", "500", "hangs up unread", "hangs up midway"]


class Receiver:
    """Listens on a port that it keeps. `taken`: what was answered with 200, in order; `heard`: every whole request.

    mood: how the next requests are met. on_heard: called with a whole request before it is answered.
    """

    def __init__(self) -> None:
        self.port = free_port()
        self.mood: Mood = "well"
        self.heard: list[dict[str, Any]] = []
        self.taken: list[dict[str, Any]] = []
        self.headers: list[dict[str, str]] = []
        self.bodies: list[bytes] = []
        self.on_heard: Callable[[dict[str, Any]], None] = lambda _: None
        self.unhurried = threading.Event()  # set: the slow ones may answer
        self._server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/told"

    def start(self) -> "Receiver":
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                receiver._meet(self)

            def log_message(self, *_: Any) -> None:
                pass

        ThreadingHTTPServer.allow_reuse_address = True
        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def stop(self) -> None:
        """Nothing listens on the port any more."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def _meet(self, request: BaseHTTPRequestHandler) -> None:
        mood = self.mood
        if mood == "hangs up unread":
            request.connection.shutdown(socket.SHUT_RDWR)
            return
        body = request.rfile.read(int(request.headers["Content-Length"]))
        said = json.loads(body)
        self.bodies.append(body)
        self.headers.append(dict(request.headers))
        self.heard.append(said)
        self.on_heard(said)
        if mood == "slow":
            self.unhurried.wait(20)
        if mood == "hangs up midway":
            request.wfile.write(b"HTTP/1.1 20")
            request.wfile.flush()
            request.connection.shutdown(socket.SHUT_RDWR)
            return
        if mood == "500":
            request.send_error(500)
            return
        self.taken.append(said)
        request.send_response(200)
        request.end_headers()

    def told(self) -> list[tuple[str, str]]:
        """(tank, what) of every alert of every whole request, in order."""
        return [(said["tank"], alert["what"]) for said in self.heard for alert in said["alerts"]]

    def times(self) -> Counter[tuple[str, str]]:
        return Counter(self.told())
