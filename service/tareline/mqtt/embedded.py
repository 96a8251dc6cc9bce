"""The demo's broker: a Rust broker in a wheel (`iotcore`), in a process of its own, on loopback only.

Checked with paho (tests/unit/test_embedded_broker.py): QoS 1 in order, retained messages with their replacement and
removal, persistent sessions with what was queued meanwhile, redelivery of what was not acknowledged, wildcards, last
will, takeover by the same client id, payloads up to 256 KiB.

What it does not do, and a broker for real use must:
- It keeps nothing on disk: after a restart retained messages and sessions are gone. Devices say hello and the service
  publishes plan, hold and received again at every connect, so nothing is lost by that.
- It sends at most 100 messages ahead of acknowledgement, to each client.
- It knows no users, no access lists and no TLS here. That is why it listens on 127.0.0.1 and nowhere else.
- A message larger than 256 KiB ends the connection that sent it.
"""

import logging
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HOST = "127.0.0.1"
LARGEST_PAYLOAD = 256 * 1024
IN_FLIGHT = 100
START_S = 15.0
STOP_S = 5.0
_FREE = "free"
_ATTEMPTS = 5  # a free port may be taken by somebody else before the broker has it


@contextmanager
def embedded_broker(port: int = 0) -> Iterator[str]:
    """A running broker's URL, for as long as the context lasts; port 0 chooses a free one.

    Raises RuntimeError where the package `iotcore` is missing or the broker doesn't start (a port in use, say).
    The broker ends with the context, and with this process however it ends.
    """
    for attempt in range(_ATTEMPTS):
        chosen = port or _free_port()
        process = _start(chosen)
        try:
            _wait_until_open(process, chosen)
        except RuntimeError:
            _stop(process)
            if port or attempt == _ATTEMPTS - 1:
                raise
            continue
        break
    try:
        yield f"mqtt://{HOST}:{chosen}"
    finally:
        _stop(process)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _start(port: int) -> subprocess.Popen[bytes]:
    """Start the broker's process, in a session of its own, so that Ctrl-C does not end it before its clients have
    disconnected."""
    package = str(Path(__file__).resolve().parents[2])
    path = os.pathsep.join(part for part in (package, os.environ.get("PYTHONPATH", "")) if part)
    return subprocess.Popen(
        [sys.executable, "-m", "tareline.mqtt.embedded", str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": path},
    )


def _wait_until_open(process: subprocess.Popen[bytes], port: int) -> None:
    # Wait for its report that the port was free: a connection alone could reach another server.
    assert process.stdout is not None
    word = process.stdout.readline().decode(errors="replace").strip()
    if word != _FREE:
        raise RuntimeError(f"embedded broker on {HOST}:{port} did not start: {word or 'it ended without a word'}")
    end_s = time.monotonic() + START_S
    while time.monotonic() < end_s:
        try:
            process.wait(0.02)
        except subprocess.TimeoutExpired:
            try:
                socket.create_connection((HOST, port), 1.0).close()
            except OSError:
                continue
            return
        raise RuntimeError(f"embedded broker on {HOST}:{port} ended while starting, exit code {process.returncode}")
    raise RuntimeError(f"embedded broker on {HOST}:{port} did not accept a connection within {START_S:.0f} s")


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(STOP_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()


def _end_with_parent() -> None:
    """Our stdin is the parent's pipe: it reads as ended when the parent does, even by SIGKILL."""
    sys.stdin.buffer.read()
    os._exit(0)


def main(port: int) -> int:
    """Run the broker until it is terminated."""
    try:
        from iotcore import IotCoreBroker
    except ImportError:
        print('the package iotcore is missing; from a clone: pip install ".[demo]"')
        return 1
    logging.disable(logging.CRITICAL)  # it reports each message it routes
    threading.Thread(target=_end_with_parent, daemon=True).start()
    broker = IotCoreBroker(listen=HOST, port=port, max_payload_size=LARGEST_PAYLOAD, max_inflight_count=IN_FLIGHT)
    try:
        broker.check_ports()
    except OSError as error:
        print(error)
        return 1
    print(_FREE, flush=True)
    broker.run_forever()
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
