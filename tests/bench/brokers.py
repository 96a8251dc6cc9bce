"""A Mosquitto of one's own for a bench run, on a free port, with the settings that Tareline asks for."""

import pwd
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType

CONF = """listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
max_inflight_messages 2000
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
