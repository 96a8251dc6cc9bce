"""The real servers that live tests run against: Mosquitto and `tareline serve`, each its own process.

Both can be killed and started again on the same port and the same files. What is not installed is an error: these tests
are never skipped.
"""

import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import httpx
from waiting import until

SYSTEM_PATH = "/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin"
CONF = """{user}
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
max_inflight_messages 2000
max_queued_messages 0
{autosave}
message_size_limit 0
log_type error
log_type warning
"""
SAVED = "autosave_interval 1\nautosave_on_changes true"  # its whole state at every change
UNSAVED = "autosave_interval 0"  # only when it is stopped properly: SIGKILL makes it forget everything


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def accepts(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


class Broker:
    """Mosquitto with the settings that Tareline's deployment uses; or, with UNSAVED, one that writes nothing down."""

    def __init__(self, folder: Path, autosave: str = SAVED) -> None:
        self._autosave = autosave
        self.folder = folder / "broker"
        self.folder.mkdir()
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._log = (folder / "mosquitto.log").open("ab")

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        program = shutil.which("mosquitto", path=SYSTEM_PATH)
        assert program is not None, "mosquitto is not installed; the live tests need it"
        # Started by root it would change to its own user, who cannot enter a test's private folder.
        user = "user root" if os.geteuid() == 0 else ""
        conf = self.folder.parent / "mosquitto.conf"
        conf.write_text(CONF.format(user=user, port=self.port, folder=self.folder, autosave=self._autosave))
        self._process = subprocess.Popen([program, "-c", str(conf)], stdout=self._log, stderr=self._log)
        until(lambda: self._alive() and accepts(self.port), what="mosquitto to listen")

    def _alive(self) -> bool:
        if self._process is None or self._process.poll() is not None:
            log = (self.folder.parent / "mosquitto.log").read_text()
            raise RuntimeError(f"mosquitto has ended: {log}")
        return True

    def kill(self) -> None:
        """SIGKILL."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def forget(self) -> None:
        """Remove everything it had written down. Only while it does not run."""
        assert self._process is None
        shutil.rmtree(self.folder)
        self.folder.mkdir()

    def close(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
        self._log.close()


class Service:
    """`tareline serve` with a database and a configuration of its own.

    wrapper: a command that runs it (strace). overrides: settings by section, over the defaults of a test.
    """

    def __init__(self, folder: Path, broker_url: str, **overrides: Mapping[str, Any]) -> None:
        self.folder = folder
        self.port = free_port()
        self.database = folder / "tareline.db"
        self.log_file = folder / "service.log"
        self.wrapper: Sequence[str] = ()
        self.environment: dict[str, str] = {}
        sections: dict[str, dict[str, Any]] = {
            "broker": {"url": broker_url},
            "store": {"url": f"sqlite:///{self.database}"},
            "http": {"listen": f"127.0.0.1:{self.port}"},
        }
        for name, section in overrides.items():
            sections.setdefault(name, {}).update(section)
        self.config = folder / "tareline.toml"
        self.config.write_text(
            "\n".join(
                f"[{name}]\n" + "\n".join(f'{key} = "{value}"' for key, value in section.items())
                for name, section in sections.items()
            )
        )
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> str:
        return self.log_file.read_text() if self.log_file.exists() else ""

    def spawn(self) -> None:
        """Start without waiting for anything."""
        program = Path(sys.executable).parent / "tareline"
        assert program.exists(), f"{program}: tareline is not installed in this environment"
        inherited = {key: value for key, value in os.environ.items() if not key.startswith("TARELINE_")}
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [*self.wrapper, str(program), "serve", "--config", str(self.config)],
                cwd=self.folder,
                env={**inherited, **self.environment},
                stdout=log,
                stderr=log,
            )

    def start(self, connected: bool = True) -> None:
        """Start and wait until it answers, and by default until it has reached the broker."""
        self.spawn()
        until(lambda: self.healthy(connected), timeout=60, what=lambda: f"the service to be up: {self.log}")

    def healthy(self, connected: bool = True) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            raise RuntimeError(f"the service has ended with {self.process.returncode}: {self.log}")
        try:
            health = httpx.get(f"{self.url}/healthz", timeout=5).json()
        except httpx.TransportError:
            return False
        return not connected or bool(health["broker"]["connected"])

    def kill(self) -> None:
        """SIGKILL."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def terminate(self) -> None:
        """SIGTERM, without waiting."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)

    def ended(self, timeout: float = 30.0) -> int:
        """Wait for its end; the exit code."""
        assert self.process is not None
        return self.process.wait(timeout)

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)
