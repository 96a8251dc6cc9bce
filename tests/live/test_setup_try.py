"""The trial that a board makes of its settings, under the firmware's interpreter: against Mosquitto over TLS with good
and bad certificates (by openssl), and against what is no broker."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from servers import free_port
from test_link_on_the_desk import SecureBroker, tls
from test_link_on_the_desk import papers as _papers
from test_link_on_the_desk import secure as _secure
from test_setup_page import MICROPYTHON, Board

from tareline.resources import firmware_dir

papers, secure = _papers, _secure

TRY = """
import sys, json, time
sys.path.insert(0, sys.argv[1])
import setup_try
try:
    for step in setup_try.log_in(json.loads(sys.argv[2]), time):
        print("done", step)
    print("works")
except setup_try.StepError as error:
    print("failed", error.step, error.why)
"""


def tried(port: int, **settings: Any) -> list[str]:
    fields = {"device": "feeder-1", "host": "127.0.0.1", "port": port, "tls": False, "ca": None, "user": None}
    words = [*MICROPYTHON, "-c", TRY, str(firmware_dir()), json.dumps(fields | {"password": None} | settings)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr + done.stdout
    return done.stdout.splitlines()


def test_every_step_is_told_where_all_is_well(secure: SecureBroker, papers: Path) -> None:
    assert tried(secure.port, **tls(papers)) == ["done name", "done connection", "done login", "works"]


def test_a_wrong_password_is_the_logins_fault(secure: SecureBroker, papers: Path) -> None:
    # MQTT 3.1.1, section 3.2.2.3: return code 5.
    lines = tried(secure.port, **tls(papers, password="wrong"))
    assert lines[-1] == "failed login not authorised to connect"


@pytest.mark.parametrize(
    ("secure", "ca"), [("good", "other.pem"), ("elsewhere", "ca.pem"), ("over", "ca.pem")], indirect=["secure"]
)
def test_a_certificate_that_cannot_be_trusted_is_named(secure: SecureBroker, papers: Path, ca: str) -> None:
    lines = tried(secure.port, **tls(papers, ca))
    assert lines[:2] == ["done name", "done connection"]
    assert lines[2].startswith("failed certificate ")


def test_a_missing_authority_is_the_certificates_fault(secure: SecureBroker, papers: Path) -> None:
    assert tried(secure.port, **tls(papers, "none.pem"))[-1].startswith("failed certificate ca ")


def test_a_broker_that_wants_tls_and_what_is_no_broker(secure: SecureBroker, tmp_path: Path) -> None:
    assert tried(secure.port)[-1].startswith("failed login ")
    page = Board(tmp_path, [sys.executable])
    try:
        assert tried(page.port)[-1] in (
            "failed login what answers is no MQTT broker",
            "failed login closed by the broker",
        )
    finally:
        page.process.kill()
        page.process.communicate()
    assert tried(free_port())[-1].startswith("failed connection 127.0.0.1 port ")
