"""The project's own documents say what the code does: tables of topics, calls and settings are compared with it."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import respx

from tareline.clock import ManualClock
from tareline.mqtt import messages as wire
from tareline.notify.targets import Letter, Webhook
from tareline.resources import firmware_dir
from tareline.service import Service
from tareline.settings import Settings
from tareline.store.devices import issued
from tareline.web.app import make_app
from tareline.web.events import Hub

ROOT = Path(__file__).parents[2]
NOW_MS = 1_780_000_000_000
UP = {
    "up/status": wire.Status,
    "up/hello": wire.Hello,
    "up/applied": wire.Applied,
    "up/dose": wire.DoseMessage,
    "up/weight": wire.Weight,
    "up/fault": wire.Fault,
    "up/reply": wire.Reply,
    "up/update": wire.UpdateState,
    "up/fetch": wire.Fetch,
}


def table(heading: str) -> list[list[str]]:
    """The rows of the first table under a heading of DEVELOPERS.md, as cells."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.split(r"^## ", text.split(f"\n## {heading}\n")[1], flags=re.MULTILINE)[0]
    rows = [line.strip().strip("|").split("|") for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in row] for row in rows[2:]]


def names(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    where = {"store": {"url": f"sqlite:///{tmp_path}/t.db"}, "updates": {"secret_file": f"{tmp_path}/t.key"}}
    settings = Settings.model_validate(where)
    made = Service(settings, ManualClock(NOW_MS))
    made.add_thing("tank", {"id": "sill", "name": "Sill", "volume_l": 20, "timezone": "UTC"})
    made.add_thing("feeder", {"id": "feeder-1", "tank": "sill"})
    yield made
    made.stop()


def test_every_topic_and_field_of_the_wire_is_in_the_table(service: Service) -> None:
    documented = {names(row[0])[0]: names(row[1]) for row in table("Wire")}
    expected = {topic: list(model.model_fields) for topic, model in UP.items()}  # type: ignore[attr-defined]
    service.updates.heard("feeder-1", wire.UpdateState(program="board_feeder", mpy=0, counter=0, state="idle"))
    service.update("feeder-1", {})
    with service.context.store.read() as tx:
        for (_, topic), message in issued(tx).items():
            expected[f"down/{topic}"] = list(message.body)
    hello = {"boot": "b", "uptime_ms": 1}
    expected["down/received"] = list(wire.received("j", 1))
    expected["down/time"] = list(wire.time_answer(1, hello))
    expected["down/piece"] = list(wire.piece(wire.Fetch(counter=1, file="a.py", at=0, size=1), b"a"))
    expected["down/command"] = list(wire.resend("id", 1, 2))
    documented.pop("up/samples")
    assert documented == expected


def test_every_outcome_of_the_wire_is_in_the_firmwares_table() -> None:
    text = (firmware_dir() / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \|", text.split("## Outcomes")[1].split("## ")[0], flags=re.MULTILINE)
    assert set(rows) == set(wire.Outcome.__args__)  # type: ignore[attr-defined]


def test_every_call_is_in_the_table(service: Service) -> None:
    documented = {re.sub(r"\{\w+\}", "{}", call) for row in table("Calls") for call in names(row[0])}
    paths = make_app(service, Hub()).openapi()["paths"]
    offered = {
        f"{method.upper()} {re.sub(r'{[^}]+}', '{}', path.removeprefix('/api/v1'))}"
        for path, methods in paths.items()
        for method in methods
        if path.startswith("/api/v1")
    }
    assert documented == offered


def test_every_part_of_a_message_to_a_program_is_in_the_table() -> None:
    documented = [name for row in table("Messages to programs") for name in names(row[0])]
    with respx.mock:
        respx.post("https://hooks.example/").respond(204)
        hook = Webhook("hook", "https://hooks.example/", "plankton")
        hook.send(Letter("1", "test", None, "title", "text", "2025-06-15T12:00:00Z"), NOW_MS, 1)
        (call,) = respx.calls
    assert documented == list(json.loads(call.request.content))
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    headers = {name for name in call.request.headers if name.startswith("tareline")}
    assert headers == {name.lower() for name in re.findall(r"`(Tareline-\w+)`", text)}


def test_every_setting_is_in_the_table_with_its_default() -> None:
    documented = {names(row[0])[0]: (names(row[1]) or [""])[0] for row in table("Settings")}
    defaults = {
        f"{section}.{key}": "" if value in ("", [], {}) else str(value)
        for section, keys in Settings().model_dump().items()
        for key, value in keys.items()
    }
    assert documented == defaults


def test_the_readme_opens_with_one_paragraph_and_names_both_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    title, paragraph = text.split("\n\n")[:2]
    assert title == "# Tareline"
    assert "how much food" in paragraph.replace("\n", " ")
    for command in ("deploy/demo", "deploy/check"):
        assert command in text
        assert (ROOT / command).stat().st_mode & 0o111
