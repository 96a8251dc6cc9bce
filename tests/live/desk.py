"""`tareline desk` as a process: the real firmware, on hardware whose truth is in a file."""

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from servers import Broker
from waiting import until


class Desk:
    """One device on a desk; the folder is its flash."""

    def __init__(self, folder: Path, kind: str, device: str, broker_url: str, *options: str) -> None:
        self.folder = folder
        self.device = device
        program = Path(sys.executable).with_name("tareline")
        self._command = [str(program), "desk", kind, "--device", device, "--broker", broker_url]
        self._command += ["--flash", str(folder), *options]
        self._log = folder.with_suffix(".log")
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        return self._log.read_text() if self._log.exists() else ""

    def start(self) -> "Desk":
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=log)
        return self

    def kill(self) -> None:
        """SIGKILL: a power cut."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(10)
            finally:
                self.process.kill()

    @property
    def truth(self) -> dict[str, Any]:
        """hardware.json as it is now; {} before it is there."""
        path = self.folder / "hardware.json"
        found: dict[str, Any] = json.loads(path.read_text()) if path.exists() else {}
        return found

    def change(self, **fields: Any) -> None:
        """Replace fields of hardware.json, as a whole."""
        fresh = self.folder / "hardware.test"
        fresh.write_text(json.dumps(self.truth | fields))
        os.replace(fresh, self.folder / "hardware.json")


class Ear:
    """A client that hears everything devices say, and can talk to them as the service does."""

    def __init__(self, broker: Broker) -> None:
        self.changed = threading.Condition()
        self.got: list[tuple[str, str, Any]] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"ear-{broker.port}", clean_session=False)
        self._client.on_message = self._heard
        self._subscribed = threading.Event()
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_disconnect = lambda *_: self._subscribed.clear()
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert self._subscribed.wait(20)

    def _connected(self, *_: Any) -> None:
        self._client.subscribe("tareline/+/up/#", 1)

    def _heard(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        _, device, _, tail = message.topic.split("/")
        with self.changed:
            try:
                self.got.append((device, tail, json.loads(message.payload)))
            except ValueError:
                self.got.append((device, tail, message.payload))
            self.changed.notify_all()

    def of(self, device: str, tail: str) -> list[Any]:
        with self.changed:
            return [body for name, what, body in self.got if (name, what) == (device, tail)]

    def wait(self, device: str, tail: str, count: int = 1, timeout: float = 20.0) -> Any:
        """The count-th message of this tail."""
        return until(lambda: self.of(device, tail)[count - 1 :], timeout, lambda: f"{device} {tail}: {self.got[-5:]}")[
            0
        ]

    def say(self, device: str, tail: str, body: Any, retain: bool = False) -> None:
        assert self._subscribed.wait(20), "the broker is away"
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        self._client.publish(f"tareline/{device}/down/{tail}", payload, 1, retain).wait_for_publish(20)

    def command(self, device: str, command_id: str, do: str, expires_at_ms: int | None = None, **args: Any) -> None:
        self.say(device, "command", {"id": command_id, "expires_at_ms": expires_at_ms, "do": do, "args": args})

    def reply(self, device: str, command_id: str) -> Any:
        """The first reply to this command."""
        found = until(
            lambda: [r for r in self.of(device, "reply") if r["id"] == command_id],
            30,
            lambda: f"a reply to {command_id}: {self.got[-8:]}",
        )
        return found[0]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
