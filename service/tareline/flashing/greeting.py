"""The device's first word: a hello on the broker that was sent after its board was started."""

import json
import queue
import ssl
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tareline.flashing.wire import BoardError
from tareline.mqtt.link import Address

CONNECT_S = 10.0
WAIT_S = 120.0


class Greeting:
    """Listens for the hello of one device, beginning before its board is started; a context manager.

    Raises BoardError where the broker cannot be reached from this machine.
    """

    def __init__(self, url: str, root: str, device: str, ca: Path | None) -> None:
        self._address = Address.parse(url)
        self._topic = f"{root}/{device}/up/hello"
        self._ready: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._heard: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.connect_timeout = CONNECT_S
        if self._address.user is not None:
            self._client.username_pw_set(self._address.user, self._address.password)
        if self._address.tls:
            self._client.tls_set(ca_certs=str(ca) if ca else None, cert_reqs=ssl.CERT_REQUIRED)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._ready.put("")
        self._client.on_message = self._on_message

    def __enter__(self) -> "Greeting":
        where = f"{self._address.host}:{self._address.port}"
        try:
            self._client.connect(self._address.host, self._address.port)
        except (OSError, ValueError) as error:
            raise BoardError(f"the broker at {where} is not reachable from this machine: {error}") from error
        self._client.loop_start()
        try:
            refused = self._ready.get(timeout=CONNECT_S)
        except queue.Empty:
            refused = f"no answer within {CONNECT_S:.0f} s"
        if refused:
            self._end()
            raise BoardError(f"the broker at {where} refuses this machine: {refused}")
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def _end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, _: Any, __: Any, code: Any, ___: Any) -> None:
        if code.is_failure:
            self._ready.put(str(code))
        else:
            client.subscribe(self._topic, 1)

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        if message.retain:
            return  # of a start before this one
        try:
            hello = json.loads(message.payload)
        except ValueError:
            return
        if isinstance(hello, dict):
            self._heard.put(hello)

    def forget(self) -> None:
        """Forget what has been heard until now, of a program that has been stopped."""
        while not self._heard.empty():
            self._heard.get()

    def wait(self, seconds: float = WAIT_S) -> dict[str, Any]:
        """The hello. Raises BoardError after so many seconds, with what to look at."""
        try:
            return self._heard.get(timeout=seconds)
        except queue.Empty:
            raise BoardError(
                f"no hello from the board within {seconds:.0f} s, though all its files are right. Look at its power, "
                "at `mpremote connect PORT repl` for what it says, and whether the broker lets its user write "
                f"{self._topic}"
            ) from None
