"""A Mosquitto and a service of one's own for a bench run, on free ports."""

import pwd
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

import httpx

from tareline.settings import Settings

CONF = """listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
max_inflight_messages 2000
set_tcp_nodelay true
max_queued_messages 0
autosave_interval 1
autosave_on_changes false
log_type error
"""


class Mosquitto:
    """A running broker; `port` tells where."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="bench-broker-"))
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]

    def __enter__(self) -> "Mosquitto":
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
        assert program is not None, "mosquitto is not installed"
        conf = self._folder / "mosquitto.conf"
        conf.write_text(CONF.format(port=self.port, folder=self._folder))
        try:  # started by root it changes to this user, who must be able to write
            pwd.getpwnam("mosquitto")
            shutil.chown(self._folder, "mosquitto")
        except (KeyError, PermissionError):
            pass
        self._process = subprocess.Popen([program, "-c", str(conf)], stderr=subprocess.PIPE, text=True)
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return self
            except ConnectionRefusedError:
                if self._process.poll() is not None:
                    break
                subprocess.run(["sleep", "0.05"], check=True)
        raise RuntimeError("mosquitto did not start")

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._process.terminate()
        self._process.wait(10)
        shutil.rmtree(self._folder, ignore_errors=True)


def settings(folder: Path, port: int, http_port: int = 0) -> Settings:
    """A service's settings on this broker, its store in a folder."""
    return Settings.model_validate(
        {
            "broker": {"url": f"mqtt://127.0.0.1:{port}"},
            "store": {"url": f"sqlite:///{folder}/bench.db"},
            "http": {"listen": f"127.0.0.1:{http_port}"},
        }
    )


@contextmanager
def running_service(folder: Path, port: int) -> Iterator[str]:
    """`tareline serve` as a process of its own; yields its address once it answers and has its broker."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        http_port = probe.getsockname()[1]
    config = folder / "tareline.toml"
    config.write_text(
        f'[broker]\nurl = "mqtt://127.0.0.1:{port}"\n[store]\nurl = "sqlite:///{folder}/bench.db"\n'
        f'[http]\nlisten = "127.0.0.1:{http_port}"\n'
    )
    process = subprocess.Popen([sys.executable, "-m", "tareline", "serve", "--config", str(config)])
    url = f"http://127.0.0.1:{http_port}"
    try:
        for _ in range(300):
            try:
                if httpx.get(f"{url}/healthz").json()["broker"]["connected"]:
                    break
            except httpx.TransportError:
                assert process.poll() is None, "the service did not start"
            subprocess.run(["sleep", "0.1"], check=True)
        yield url
    finally:
        process.terminate()
        process.wait(20)
