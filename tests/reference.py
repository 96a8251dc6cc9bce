"""Makes service/REFERENCE.md from the code: HTTP calls, settings, the wire, metrics, fault codes.

    python tests/reference.py

Summaries and descriptions are those of the routes, the models and their fields; a test compares the file with them.
"""

import inspect
import json
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "service"), str(ROOT / "tests" / "unit")]

from fault_codes import fault_codes  # noqa: E402
from pydantic import BaseModel  # noqa: E402

from tareline.app import dispatch  # noqa: E402
from tareline.app.updates import Updates  # noqa: E402
from tareline.app.work_metrics import families  # noqa: E402
from tareline.clock import ManualClock  # noqa: E402
from tareline.core.safety.faults import FAULTS, NO_NEWS, UNWEIGHED  # noqa: E402
from tareline.core.safety.stops import STOPS  # noqa: E402
from tareline.metrics import Metrics  # noqa: E402
from tareline.mqtt import messages as wire  # noqa: E402
from tareline.service import Service  # noqa: E402
from tareline.settings import Settings  # noqa: E402
from tareline.store.devices import issued  # noqa: E402
from tareline.web.app import make_app  # noqa: E402
from tareline.web.events import Hub  # noqa: E402

FILE = ROOT / "service" / "REFERENCE.md"
NOW_MS = 1_780_000_000_000
UP: Mapping[str, type[BaseModel]] = {
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
DOWN: Mapping[str, Any] = {
    "down/plan": dispatch.plan_body,
    "down/hold": dispatch.hold_body,
    "down/received": wire.received,
    "down/time": wire.time_answer,
    "down/command": wire.resend,
    "down/update": Updates._issue,
    "down/piece": wire.piece,
}
OPENING = """# Reference

Made from the code by `python tests/reference.py`; do not edit it. `DEVELOPERS.md` is the tour of the code,
`firmware/OTHER-DEVICES.md` a session on the wire with notes, and the running service describes its calls at
`/openapi.json`.
"""


def main() -> None:
    """Write the reference."""
    FILE.write_text(reference(), encoding="utf-8")


def reference() -> str:
    """The whole file."""
    with tempfile.TemporaryDirectory() as folder, a_service(Path(folder)) as service:
        parts = [calls(make_app(service, Hub()).openapi()), settings(), topics(service), metrics(), faults()]
    return "\n".join([OPENING, *parts])


@contextmanager
def a_service(folder: Path) -> Iterator[Service]:
    """A service with one tank and one feeder, which takes updates; nothing of it is started."""
    where = {
        "store": {"url": f"sqlite:///{folder}/reference.db"},
        "updates": {"secret_file": f"{folder}/reference.key"},
    }
    made = Service(Settings.model_validate(where), ManualClock(NOW_MS))
    try:
        made.add_thing("tank", {"id": "sill", "name": "Sill", "volume_l": 20, "timezone": "UTC"})
        made.add_thing("feeder", {"id": "feeder-1", "tank": "sill"})
        made.updates.heard("feeder-1", wire.UpdateState(program="board_feeder", mpy=0, counter=0, state="idle"))
        made.updates.offer("feeder-1")
        yield made
    finally:
        made.stop()


def table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A table in Markdown."""
    lines = [list(head), ["---"] * len(list(head)), *rows]
    return "".join("| " + " | ".join(_cell(cell) for cell in line) + " |\n" for line in lines)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def calls(api: Mapping[str, Any]) -> str:
    """Every call of the HTTP API, and the objects that they take and give."""
    text = "## HTTP calls\n\nTimes are RFC 3339. What fails is answered by a problem (RFC 9457).\n"
    by_tag: dict[str, list[str]] = {}
    for path, methods in api["paths"].items():
        for method, call in methods.items():
            by_tag.setdefault((call.get("tags") or ["others"])[0], []).append(_call(method, path, call))
    for tag, found in by_tag.items():
        text += f"\n### Calls: {tag}\n\n" + "\n".join(found)
    text += "\n### Objects\n"
    for name, schema in sorted(api["components"]["schemas"].items()):
        text += f"\n#### {name}\n\n" + _about(schema.get("description"))
        if "properties" in schema:
            text += _fields(schema)
        elif "enum" in schema or "type" in schema:
            text += f"{_kind(schema)}\n"
    return text


def _about(description: str | None) -> str:
    return f"{' '.join(description.split())}\n\n" if description else ""


def _call(method: str, path: str, call: Mapping[str, Any]) -> str:
    text = f"- **`{method.upper()} {path}`** {call.get('summary', '')}".rstrip(".") + ".\n"
    if call.get("description"):
        text += f"  {' '.join(call['description'].split())}\n"
    for one in call.get("parameters", []):
        told = one.get("description") or _description(one["schema"])
        default = one["schema"].get("default")
        text += f"  - `{one['name']}` ({one['in']}): {_kind(one['schema'])}"
        text += f", {json.dumps(default)} where it is left out" if default is not None else ""
        text += f"; {told}\n" if told else "\n"
    for content in call.get("requestBody", {}).get("content", {}).values():
        text += f"  - takes {_kind(content['schema'])}\n"
    for status, answer in call["responses"].items():
        schemas = [content.get("schema", {}) for content in answer.get("content", {}).values()]
        if status.startswith("2") and schemas and schemas[0]:
            text += f"  - gives {_kind(schemas[0])} ({status})\n"
    return text


def _fields(schema: Mapping[str, Any]) -> str:
    required = schema.get("required", [])
    rows = []
    for name, field in schema["properties"].items():
        default = field.get("default")
        left_out = "required" if name in required else f"`{json.dumps(default, ensure_ascii=False)}`"
        rows.append((f"`{name}`", _kind(field), left_out, _description(field)))
    return table(("field", "type", "where left out", "what it is"), rows)


def _kind(schema: Mapping[str, Any]) -> str:
    """A schema's type in a few words, with its bounds."""
    for several in ("anyOf", "oneOf", "allOf"):
        if several in schema:
            return " or ".join(dict.fromkeys(_kind(one) for one in schema[several]))
    kind = schema.get("type", "anything")
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        told = f"[{name}](#{name.lower()})"
    elif "const" in schema or "enum" in schema:
        told = ", ".join(f"`{value}`" for value in schema.get("enum", [schema.get("const")]))
    elif kind == "array":
        told = f"a list of {_kind(schema.get('items', {}))}"
    elif kind == "object" and isinstance(schema.get("additionalProperties"), dict):
        told = f"an object of {_kind(schema['additionalProperties'])}"
    else:
        bounds = [f"{sign} {schema[key]}" for key, sign in _BOUNDS.items() if key in schema]
        told = ", ".join([schema.get("format", kind), *bounds])
    return told


def _description(schema: Mapping[str, Any]) -> str:
    """What is said of a field: by itself, or by that which it may be besides null."""
    inner = [one.get("description", "") for one in schema.get("anyOf", [])]
    return str(schema.get("description") or next(filter(None, inner), ""))


_BOUNDS = {
    "exclusiveMinimum": "above",
    "minimum": "at least",
    "exclusiveMaximum": "below",
    "maximum": "at most",
    "minLength": "length at least",
    "maxLength": "length at most",
}


def settings() -> str:
    """Every key of `tareline.toml`."""
    text = "## Settings\n\nIn `tareline.toml`, by section. The environment wins over it: `TARELINE_BROKER__URL`.\n\n"
    rows = []
    for section, keys in Settings().model_dump().items():
        model = Settings.model_fields[section].annotation
        assert isinstance(model, type)
        assert issubclass(model, BaseModel)
        properties = model.model_json_schema()["properties"]
        for key, default in keys.items():
            default_text = "" if default in ("", [], {}) else f"`{default}`"
            rows.append((f"`{section}.{key}`", default_text, _description(properties[key])))
    return text + table(("key", "default", "what for"), rows)


def topics(service: Service) -> str:
    """Every topic of the wire with its fields, as models take them and as messages are built."""
    text = "## MQTT topics\n\n"
    text += (
        "Under the root (`broker.root`) and the device's name: MQTT 3.1.1, JSON, QoS 1 unless said. Unknown fields\n"
    )
    text += "are ignored.\n"
    for topic, model in UP.items():
        schema = model.model_json_schema()
        text += f"\n### `{topic}`\n\n{_about(inspect.getdoc(model))}{_fields(schema)}"
    text += (
        "\n### `up/samples`\n\nA SenML pack (RFC 8428): `temperature` in Cel, `conductivity` in S/m, `voltage` in V.\n"
    )
    fields = sent(service)
    for topic, maker in DOWN.items():
        about = _about((inspect.getdoc(maker) or "").partition(": ")[2].partition("\n\n")[0])
        about = about[:1].upper() + about[1:]
        text += f"\n### `{topic}`\n\n{about}Fields: {', '.join(f'`{name}`' for name in fields[topic])}.\n"
    return text


def sent(service: Service) -> dict[str, list[str]]:
    """The fields of every message to a device, by topic, from messages as they are sent."""
    with service.context.store.read() as tx:
        found = {f"down/{topic}": list(message.body) for (_, topic), message in issued(tx).items()}
    found["down/received"] = list(wire.received("j", 1))
    found["down/time"] = list(wire.time_answer(1, wire.Hello.model_construct(boot="b", uptime_ms=1)))
    found["down/piece"] = list(wire.piece(wire.Fetch(counter=1, file="a.py", at=0, size=1), b"a"))
    found["down/command"] = list(wire.resend("id", 1, 2))
    return found


def metrics() -> str:
    """Every counter of `/metrics`, and what it tells of works."""
    made = [one for one in vars(Metrics()).values() if hasattr(one, "_labelnames")]
    rows = [
        (f"`{one._name}`", one._type, ", ".join(f"`{label}`" for label in one._labelnames), one._documentation)
        for one in made
    ]
    rows += [(f"`{one.name}`", one.type, "`work`", one.documentation) for one in families()]
    return "## Metrics\n\nAt `/metrics`, as OpenMetrics.\n\n" + table(
        ("name", "type", "labels", "what it counts"), rows
    )


def faults() -> str:
    """Every fault code: what it means, and what a keeper is told of it."""
    text = "## Fault codes\n\nWhat a code means stands in `firmware/README.md`; what a keeper is told in\n"
    text += "`core/safety/faults.py`.\n\n"
    return text + table(("code", "what it means", "what a keeper is told"), (
        (f"`{code}`", meaning, _told(code)) for code, meaning in fault_codes().items()
    ))  # fmt: skip


def _told(code: str) -> str:
    if code in FAULTS:
        return f"The device {FAULTS[code].what}. {FAULTS[code].do}."
    if code in STOPS:
        return "An alert of its own: the feeder has stopped itself, and holds its tank."
    if code == UNWEIGHED:
        return "An alert of its own: the feeder feeds nothing until it can weigh."
    assert code in NO_NEWS, code
    return "Nothing: it is in the ledger."


if __name__ == "__main__":
    main()
