"""The firmware's link against a real Mosquitto, under CPython and under MicroPython: the same files on both."""

import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from proxy import Proxy
from servers import SAVED, SYSTEM_PATH, UNSAVED, Broker, accepts
from waiting import until

from tareline.resources import firmware_dir

SCRIPT = Path(__file__).with_name("link_script.py")
OVER_TLS = """{user}
listener {port} 127.0.0.1
cafile {folder}/ca.pem
certfile {folder}/{name}.pem
keyfile {folder}/{name}.key
allow_anonymous false
password_file {folder}/passwords
log_type error
log_type warning
"""


def interpreter(runtime: str) -> list[str]:
    if runtime == "cpython":
        return [sys.executable, "-u"]
    found = shutil.which("micropython", path=os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]]))
    assert found is not None, "micropython is not installed in this environment; it comes with the extra demo"
    return [found]


class Runner:
    """`link_script.py` in a process of its own, and what it has told so far."""

    def __init__(self, runtime: str, port: int, **settings: Any) -> None:
        words = {"host": "127.0.0.1", "port": port, "root": "tareline", "device": "f1", **settings}
        self.told: list[dict[str, Any]] = []
        self.process = subprocess.Popen(
            [*interpreter(runtime), str(SCRIPT), str(firmware_dir()), json.dumps(words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.told.append(json.loads(line) if line.startswith("{") else {"event": "rubbish", "line": line})

    def events(self, name: str) -> list[dict[str, Any]]:
        assert not [one for one in self.told if one["event"] == "rubbish"], self.told[-20:]
        return [one for one in self.told if one["event"] == name]

    def messages(self, tail: str) -> list[dict[str, Any]]:
        return [one["fields"] for one in self.events("message") if one["tail"] == tail]

    def until(self, condition: Callable[[], Any], timeout: float = 60.0) -> Any:
        return until(condition, timeout, what=lambda: self.told[-20:])

    def until_up(self, times: int = 1) -> "Runner":
        self.until(lambda: len(self.events("up")) >= times)
        return self

    def close(self) -> None:
        self.process.kill()
        self.process.wait(10)
        self._reader.join(10)
        assert self.process.stdout is not None
        self.process.stdout.close()


class Peer:
    """The other side: hears everything under `up/`, publishes under `down/`."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, dict[str, Any], bool]] = []
        self._ready = threading.Event()
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
        client.reconnect_delay_set(0.1, 0.2)  # type: ignore[arg-type]
        client.on_connect = lambda made, *_: made.subscribe("tareline/f1/up/#", 1)
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_disconnect = lambda *_: self._ready.clear()
        client.on_message = lambda _c, _d, message: self.heard.append(
            (message.topic.rsplit("/", 1)[1], json.loads(message.payload), message.retain)
        )
        client.connect_async("127.0.0.1", port)
        client.loop_start()
        self._client = client
        self.wait_ready()

    def wait_ready(self) -> None:
        assert self._ready.wait(30)

    def say(self, tail: str, retained: bool = False, **fields: Any) -> None:
        self._client.publish(f"tareline/f1/down/{tail}", json.dumps(fields), 1, retained).wait_for_publish(30)

    def of(self, tail: str) -> list[dict[str, Any]]:
        return [fields for heard, fields, _ in self.heard if heard == tail]

    def has(self, tail: str, **fields: Any) -> bool:
        return fields in self.of(tail)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture(params=["cpython", "micropython"])
def start(request: pytest.FixtureRequest) -> Iterator[Callable[..., Runner]]:
    """Starts runners in this runtime."""
    made: list[Runner] = []

    def begin(port: int, **settings: Any) -> Runner:
        made.append(Runner(request.param, port, **settings))
        return made[-1]

    yield begin
    for runner in made:
        runner.close()


@pytest.fixture
def peer(broker: Broker) -> Iterator[Peer]:
    made = Peer(broker.port)
    yield made
    made.close()


def test_messages_go_both_ways_in_order(start: Callable[..., Runner], broker: Broker, peer: Peer) -> None:
    runner = start(broker.port).until_up()
    for number in range(30):
        peer.say("received", journal="j", seq=number)
    peer.say("command", do="publish", first=0, count=100)
    until(lambda: len(peer.of("dose")) == 100)
    assert peer.of("dose") == [{"seq": number} for number in range(100)]
    runner.until(lambda: len(runner.events("delivered")) == 100)
    assert runner.messages("received") == [{"journal": "j", "seq": number} for number in range(30)]
    assert peer.of("status") == [{"online": True}]


def test_close_says_offline(start: Callable[..., Runner], broker: Broker, peer: Peer) -> None:
    runner = start(broker.port).until_up()
    peer.say("command", do="close")
    assert runner.process.wait(30) == 0
    until(lambda: peer.of("status") == [{"online": True}, {"online": False}])


def test_a_power_cut_is_told_by_the_last_will_and_what_came_meanwhile_is_brought(
    start: Callable[..., Runner], broker: Broker, peer: Peer
) -> None:
    runner = start(broker.port).until_up()
    peer.say("command", do="publish", first=0, count=0)
    runner.until(lambda: runner.messages("command"))
    runner.close()
    until(lambda: peer.of("status")[-1] == {"online": False})
    peer.say("command", do="publish", first=1, count=2)
    again = start(broker.port).until_up()
    until(lambda: peer.of("dose") == [{"seq": 1}, {"seq": 2}])
    assert again.messages("command")[-1] == {"do": "publish", "first": 1, "count": 2}


def late_ones(runner: Runner) -> list[dict[str, Any]]:
    return [one for one in runner.events("delivered") if one["seq"] == "was_down"]


@pytest.mark.parametrize(("broker", "forget"), [(UNSAVED, False), (SAVED, True)], indirect=["broker"])
def test_a_broker_that_is_killed_and_has_forgotten_everything(
    start: Callable[..., Runner], broker: Broker, peer: Peer, forget: bool
) -> None:
    runner = start(broker.port).until_up()

    def killed_and_back(times: int) -> None:
        broker.kill()
        runner.until(lambda: len(runner.events("down")) == times)
        if forget:
            broker.forget()
        broker.start()
        runner.until_up(times + 1)
        peer.wait_ready()
        peer.say("hold", retained=True, version=times + 1)
        runner.until(lambda: {"version": times + 1} in runner.messages("hold"))
        # What was published while there was no link has gone out as well.
        runner.until(lambda: len(late_ones(runner)) == times)

    killed_and_back(1)
    killed_and_back(2)
    assert runner.events("fault") == []


def test_a_half_open_connection_is_recognised_and_replaced(
    start: Callable[..., Runner], broker: Broker, peer: Peer
) -> None:
    proxy = Proxy(broker.port)
    try:
        runner = start(proxy.port).until_up()
        proxy.freeze()
        peer.say("hold", retained=True, version=1)
        runner.until(lambda: runner.events("down"), timeout=60)
        runner.until_up(2)
        runner.until(lambda: {"version": 1} in runner.messages("hold"))
    finally:
        proxy.close()


@pytest.mark.parametrize("seed", [1, 2])
def test_over_a_bad_network_everything_arrives_at_least_once(
    start: Callable[..., Runner], broker: Broker, peer: Peer, seed: int
) -> None:
    proxy = Proxy(broker.port, seed, delay_s=0.01, piece=200)
    try:
        runner = start(proxy.port).until_up()
        for part in range(5):
            peer.say("command", do="publish", first=40 * part, count=40)
            for number in range(5):
                peer.say("received", journal="j", seq=5 * part + number)
            until(partial(peer.has, "dose", seq=40 * part + 5), timeout=60, what=lambda: runner.told[-9:])
            proxy.cut()
        wanted = set(range(200))
        runner.until(lambda: {one["seq"] for one in runner.events("delivered")} == wanted | {"was_down"})
        until(lambda: {dose["seq"] for dose in peer.of("dose")} == wanted)
        runner.until(lambda: {one["seq"] for one in runner.messages("received")} == set(range(25)))
        firsts = list(dict.fromkeys(one["seq"] for one in runner.messages("received")))
        assert firsts == sorted(firsts)
        assert runner.events("fault") == []
        assert len(runner.events("up")) >= 3
    finally:
        proxy.close()


def test_a_hold_gets_through_a_dose_and_the_rest_comes_after_it(
    start: Callable[..., Runner], broker: Broker, peer: Peer
) -> None:
    runner = start(broker.port).until_up()
    peer.say("command", do="busy", ms=2000)
    runner.until(lambda: runner.events("busy"))
    for number in range(20):
        peer.say("received", journal="j", seq=number)
    peer.say("hold", version=7)
    runner.until(lambda: runner.messages("hold"))
    assert runner.events("free") == []
    assert runner.messages("received") == []
    runner.until(lambda: {one["seq"] for one in runner.messages("received")} == set(range(20)))
    runner.until_up(2)


# TLS


def openssl(folder: Path, *words: str) -> None:
    program = shutil.which("openssl", path=SYSTEM_PATH)
    assert program is not None, "openssl is not installed; the live tests need it"
    made = subprocess.run([program, *words], cwd=folder, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two CAs of the same name, and of the first one: a good certificate, one for another host, one that is over."""
    folder = tmp_path_factory.mktemp("papers")
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    for ca in ("ca", "other"):
        made = ["-keyout", f"{ca}.key", "-out", f"{ca}.pem", "-days", "30", "-subj", "/CN=invented CA"]
        openssl(folder, "req", "-x509", *curve, *made)
    openssl(folder, "x509", "-in", "ca.pem", "-outform", "DER", "-out", "ca.der")
    for name, host, days in (
        ("good", "localhost", "30"),
        ("elsewhere", "elsewhere.test", "30"),
        ("over", "localhost", "-1"),
    ):
        (folder / "names").write_text(f"subjectAltName=DNS:{host}\n")
        openssl(folder, "req", *curve, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={host}")
        signed = ["-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", days, "-extfile", "names"]
        openssl(folder, "x509", "-req", "-in", f"{name}.csr", "-out", f"{name}.pem", *signed)
    program = shutil.which("mosquitto_passwd", path=SYSTEM_PATH)
    assert program is not None, "mosquitto_passwd comes with mosquitto"
    subprocess.run([program, "-b", "-c", "passwords", "keeper", "right"], cwd=folder, check=True, capture_output=True)
    return folder


class SecureBroker(Broker):
    """With TLS under one of these certificates, and a user."""

    def __init__(self, folder: Path, papers: Path, name: str) -> None:
        super().__init__(folder)
        self.name = name
        self._papers = papers

    def start(self) -> None:
        program = shutil.which("mosquitto", path=SYSTEM_PATH)
        assert program is not None, "mosquitto is not installed; the live tests need it"
        conf = self.folder.parent / "mosquitto.conf"
        user = "user root" if os.geteuid() == 0 else ""
        conf.write_text(OVER_TLS.format(user=user, port=self.port, folder=self._papers, name=self.name))
        self._process = subprocess.Popen([program, "-c", str(conf)], stdout=self._log, stderr=self._log)
        until(lambda: self._alive() and accepts(self.port), what="mosquitto to listen")


@pytest.fixture
def secure(tmp_path: Path, papers: Path, request: pytest.FixtureRequest) -> Iterator[SecureBroker]:
    made = SecureBroker(tmp_path, papers, getattr(request, "param", "good"))
    made.start()
    yield made
    made.close()


def tls(papers: Path, ca: str = "ca.pem", password: str = "right") -> dict[str, Any]:
    return {"host": "localhost", "tls": True, "ca": str(papers / ca), "user": "keeper", "password": password}


@pytest.mark.parametrize("ca", ["ca.pem", "ca.der"])
def test_over_tls_with_a_verified_certificate_and_a_user(
    start: Callable[..., Runner], secure: SecureBroker, papers: Path, ca: str
) -> None:
    runner = start(secure.port, **tls(papers, ca)).until_up()
    secure.kill()
    runner.until(lambda: runner.events("down"))
    secure.start()
    runner.until_up(2)
    assert runner.events("fault") == []


def test_over_tls_large_and_many_messages_pass(
    start: Callable[..., Runner], secure: SecureBroker, papers: Path
) -> None:
    runner = start(secure.port, **tls(papers)).until_up()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.tls_set(str(papers / "ca.pem"))
    client.username_pw_set("keeper", "right")
    client.connect("localhost", secure.port)
    client.loop_start()
    for number in range(10):
        payload = json.dumps({"version": number, "days": "x" * 8000})
        client.publish("tareline/f1/down/plan", payload, 1)
    client.publish("tareline/f1/down/command", json.dumps({"do": "publish", "first": 0, "count": 50}), 1)
    runner.until(lambda: len(runner.events("delivered")) == 50)
    client.disconnect()
    client.loop_stop()
    assert [plan["version"] for plan in runner.messages("plan")] == list(range(10))
    assert runner.events("fault") == []


@pytest.mark.parametrize(
    ("secure", "ca"),
    [("good", "other.pem"), ("elsewhere", "ca.pem"), ("over", "ca.pem")],
    indirect=["secure"],
    ids=["of another CA", "of another host", "expired"],
)
def test_a_certificate_that_is_not_to_be_trusted_is_refused_and_told(
    start: Callable[..., Runner], secure: SecureBroker, papers: Path, ca: str
) -> None:
    runner = start(secure.port, **tls(papers, ca))
    runner.until(lambda: len(runner.events("fault")) > 1)
    assert {fault["code"] for fault in runner.events("fault")} == {"tls_refused"}
    assert "certificate" in runner.events("fault")[0]["detail"]
    assert runner.events("up") == []
    if ca == "ca.pem":  # the broker is mended, and the same device finds it
        secure.kill()
        secure.name = "good"
        secure.start()
        runner.until_up()


def test_a_ca_file_that_is_none_is_told(start: Callable[..., Runner], secure: SecureBroker, papers: Path) -> None:
    for name in ("passwords", "no-such-file"):
        runner = start(secure.port, **tls(papers, name))
        runner.until(partial(runner.events, "fault"))
        assert runner.events("fault")[0]["code"] == "tls_refused"
        assert name in runner.events("fault")[0]["detail"]
        assert runner.events("up") == []


def test_a_wrong_password_is_refused_and_told(start: Callable[..., Runner], secure: SecureBroker, papers: Path) -> None:
    runner = start(secure.port, **tls(papers, password="wrong"))
    runner.until(lambda: runner.events("fault"))
    assert runner.events("fault")[0]["code"] == "link_refused"
    assert "authorised" in runner.events("fault")[0]["detail"]
    assert runner.events("up") == []


def test_a_server_that_speaks_no_tls_is_never_up(start: Callable[..., Runner], broker: Broker, papers: Path) -> None:
    proxy = Proxy(broker.port)
    try:
        runner = start(proxy.port, **tls(papers))
        until(lambda: proxy.connections > 2)
        assert runner.events("up") == []
        assert runner.process.poll() is None
    finally:
        proxy.close()
