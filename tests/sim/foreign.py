"""What others do on the broker: a neighbour who sends rubbish, and a second installation under the same root."""

import json
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any

from model import DAY, HOUR, MINUTE
from sim_board import LIMIT, ROOT, Board

if TYPE_CHECKING:
    from world import World

TOPICS = ("plan", "hold", "received", "time", "command")


def poison(rng: Random, topic: str) -> tuple[bytes, str]:
    """A payload that no device can take, and its kind; `(unreadable)` where a fault must tell of it."""
    kind = rng.choice(
        (
            "nested",
            "nested objects",
            "small lists",
            "wrong types",
            "cut text",
            "huge numbers",
            "64 KiB",
            "empty",
            "bytes",
        )
    )
    readable = ""
    if kind == "nested":
        n = rng.choice((20, 200, 2000, 4000))
        payload = b"[" * n + rng.choice((b"", b"]" * n))
    elif kind == "nested objects":
        payload = b'{"days":' * rng.choice((10, 300, 1000)) + b"1"
    elif kind == "small lists":
        payload = b'{"meals":[' + b",".join([b"[]"] * rng.choice((500, 2000, 2690))) + b"]}"
        readable = topic
    elif kind == "wrong types":
        payload = json.dumps(_wrong(rng, topic)).encode()
        readable = topic
    elif kind == "cut text":
        payload = '{"installation": "größer", "reason": "fünf"}'.encode()[: rng.randrange(1, 40)]
    elif kind == "huge numbers":
        number = rng.choice((b"1" * 4000, b"1e999999", b"-1e400", b"99999999999999999999999999.5"))
        payload = b'{"version":' + number + b',"seq":' + number + b',"now_ms":' + number + b',"id":' + number + b"}"
        readable = topic
    elif kind == "64 KiB":
        payload = b'{"reason":"' + b"x" * (65_536 - 13) + b'"}'
    elif kind == "empty":
        payload = b""
        readable = topic
    else:
        payload = b"\xff" + rng.randbytes(rng.choice((1, 100, LIMIT - 1)))
    return payload, f"poison: {kind} on down/{topic}" + ("" if readable else " (unreadable)")


def _wrong(rng: Random, topic: str) -> Any:
    """JSON of a message's shape whose every field is of a type that is wrong for it."""
    strange: tuple[Any, ...] = (None, [], {}, [[1]], True, "", "0", -1.5, {"a": {"b": [None]}})
    if rng.random() < 0.2:
        return rng.choice((None, 1, "text", [], [1, 2], True))
    names = {
        "plan": ("installation", "version", "issued_at_ms", "gain_g_per_step", "days", "meals", "fallback"),
        "hold": ("installation", "version", "held", "reduce_to", "reason"),
        "received": ("journal", "seq"),
        "time": ("now_ms", "boot", "uptime_ms"),
        "command": ("id", "expires_at_ms", "do", "args"),
    }[topic]
    fields = {name: rng.choice(strange) for name in names}
    for name in ("version", "seq", "now_ms", "id"):  # whatever the others are, this one makes it a message for nobody
        if name in fields:
            fields[name] = rng.choice(([], {}, None, [[1]]))
    if topic == "hold":
        fields["held"] = rng.choice((None, [], "yes", {}))
    return fields


class Neighbour:
    """Somebody else with rights on the broker, who sends to one board what is no message."""

    def __init__(self, world: "World", board: Board) -> None:
        self.world, self.board = world, board
        self.rng = world.random(board.name + "/neighbour")

    def send(self) -> None:
        """Some of it, live, and rarely retained; the retained ones are taken away again."""
        for _ in range(self.rng.choice((1, 1, 2, 6))):
            topic = self.rng.choice(TOPICS)
            payload, kind = poison(self.rng, topic)
            self.world.poison[payload] = kind
            self.world.count(kind.partition(" on ")[0])
            retained = topic == "command" and bool(payload) and self.rng.random() < 0.3
            name = f"{ROOT}{self.board.name}/down/{topic}"
            self.world.broker.publish(name, payload, retained, 1)
            if retained:
                self.world.at(self.world.now_ms + self.rng.randrange(6 * HOUR), partial(self._take_away, name))

    def _take_away(self, name: str) -> None:
        if self.world.broker.retained.get(name) in self.world.poison:
            del self.world.broker.retained[name]


class Stranger:
    """A second installation: for some hours it sends plans and holds to all boards, and then it is gone."""

    NAME = "the other one"

    def __init__(self, world: "World") -> None:
        self.world = world
        self.rng = world.random("stranger")
        self._until_ms = 0
        self._version = 0
        self._retains = False

    def comes(self) -> None:
        if self.world.now_ms < self._until_ms:
            return
        self._until_ms = self.world.now_ms + MINUTE + self.rng.randrange(self.rng.choice((HOUR, 8 * HOUR)))
        self._retains = self.rng.random() < 0.5
        self.world.count("second installation")
        self._send()

    def _send(self) -> None:
        if self.world.healing or self.world.now_ms >= self._until_ms:
            return
        for board in self.world.boards:
            if self.rng.random() < 0.7:
                self._publish(board, "plan", self._plan())
            if self.rng.random() < 0.5:
                held = self.rng.random() < 0.4
                self._publish(board, "hold", {"held": held, "reduce_to": None, "reason": "ours"})
        self.world.at(self.world.now_ms + self.rng.randrange(MINUTE, 2 * HOUR), self._send)

    def _publish(self, board: Board, tail: str, fields: dict[str, Any]) -> None:
        self._version = max(self._version + 1, self.world.now_ms + self.rng.choice((-DAY, 0, 0, 1000)))
        body = {"installation": self.NAME, "version": self._version, **fields}
        self.world.broker.publish(f"{ROOT}{board.name}/down/{tail}", json.dumps(body).encode(), self._retains, 1)

    def _plan(self) -> dict[str, Any]:
        rng, now_ms = self.rng, self.world.now_ms
        first_ms = now_ms - now_ms % DAY
        cap_g = rng.choice((0.2, 0.6, 1.5))
        meals = [
            {"id": f"theirs-{at_ms}", "at_ms": at_ms, "target_g": round(cap_g / 4, 3)}
            for at_ms in range(now_ms + rng.randrange(HOUR), now_ms + 6 * DAY, 8 * HOUR)
        ]
        until_ms = first_ms + 14 * DAY
        return {
            "issued_at_ms": now_ms,
            "gain_g_per_step": rng.choice((None, 0.001, 0.0005, 0.002, 0.0001, 0.01)),
            "days": [{"start_ms": first_ms + i * DAY, "cap_g": cap_g} for i in range(8)],
            "meals": meals,
            "fallback": {"daily_g": cap_g / 4, "at_utc_s": [28_800], "until_ms": until_ms, "blind_days": 2},
        }
