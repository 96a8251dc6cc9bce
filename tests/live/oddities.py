"""Odd messages for a small feeder that listens to a message broker.

Everything that a broken, careless or hostile sender could publish to the device is made here: plain noise, damaged
text, strange JSON, messages with wrong fields, and messages that are entirely valid. A message depends on the given
random generator and on the given facts alone, so every finding can be repeated from its seed.

A message never asks the device to restart, to tare or to calibrate, and a dispense asks for a milligram at most, so
a test can tell a device that lives on by itself from one that was told to do something.

Versions are taken from the clock in the facts. Whoever wants every valid plan and hold to be newer than the last
one moves that clock on between two messages.
"""

from __future__ import annotations

import base64
import json
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import accumulate
from typing import Any

LIMIT_BYTES = 8192
DAY_MS = 86_400_000
LATEST_MS = 4_000_000_000_000
LARGEST_DISPENSE_G = 0.001
PLACEHOLDER = "@@odd@@"

KNOWN_TAILS = ("plan", "hold", "received", "time", "command", "update", "piece")
UNKNOWN_TAILS = ("plan/x", "other", "", "/", "plan/", "/plan", "Plan", "plans", "hold/received", "command/a/b/c",
                 "time ", "$plan", "..", "план", "\U0001f41f", "p" * 300, "a/" * 60)  # fmt: skip

Json = None | bool | int | float | str | list["Json"] | dict[str, "Json"]
Message = dict[str, Json]
Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Facts:
    """What a sender may know about the device and its installation."""

    journal: str
    boot: str
    installation: str
    now_ms: int


@dataclass(frozen=True)
class Oddity:
    """One message together with the name of the kind that made it."""

    kind: str
    tail: str
    payload: bytes


Maker = Callable[[random.Random, Facts], tuple[str, bytes]]
MessageMaker = Callable[[random.Random, Facts], Message]


# Tails, sizes and text.


def _any_tail(rng: random.Random) -> str:
    """Pick a tail that the device knows, and now and then one that it does not know."""
    return rng.choice(UNKNOWN_TAILS) if rng.random() < 0.08 else rng.choice(KNOWN_TAILS)


def _mostly(rng: random.Random, tail: str) -> str:
    """Keep the tail that belongs to a message, except that a few messages go astray."""
    return _any_tail(rng) if rng.random() < 0.05 else tail


def _size(rng: random.Random) -> int:
    """Pick a length in bytes: often small, often large, and sometimes at the limit or one below it."""
    choice = rng.random()
    if choice < 0.12:
        return LIMIT_BYTES - rng.randrange(2)
    if choice < 0.55:
        return rng.randint(LIMIT_BYTES // 2 + 1, LIMIT_BYTES)
    return min(LIMIT_BYTES, int(2 ** rng.uniform(0, 13)))


def _large_size(rng: random.Random) -> int:
    """Pick a length in bytes that is seldom small."""
    return max(_size(rng), _size(rng))


def _token(rng: random.Random) -> str:
    """Make an identifier as a program would draw it."""
    return f"{rng.getrandbits(64):016x}"


def _compact(value: Json) -> str:
    """Write a value as JSON without any whitespace."""
    return json.dumps(value, separators=(",", ":"))


def _styled(rng: random.Random, value: Json) -> str:
    """Write a value as JSON in one of the styles that common writers use."""
    style = rng.random()
    if style < 0.7:
        return _compact(value)
    if style < 0.9:
        return json.dumps(value, ensure_ascii=False)
    return json.dumps(value, indent=1, sort_keys=rng.random() < 0.5)


def _encoded(text: str) -> bytes:
    """Encode text as UTF-8 and let lone surrogates pass as the broken bytes that they are."""
    return text.encode("utf-8", "surrogatepass")


def _repeated(unit: str, size: int, separator: str = ",") -> str:
    """Repeat a unit as often as fits into so many bytes, and at least once."""
    width = len(_encoded(unit + separator))
    return separator.join([unit] * max(1, size // max(1, width)))


# Valid messages.


def _sane_now_ms(facts: Facts) -> int:
    """Keep the known time within what a calendar can show."""
    return max(DAY_MS, min(facts.now_ms, LATEST_MS))


def _new_version(rng: random.Random, facts: Facts) -> int:
    """Draw a version that is a little newer than the known time."""
    return facts.now_ms + rng.randrange(2000)


def _first_midnight_ms(rng: random.Random, facts: Facts) -> int:
    """Find the start of the current local day in a time zone drawn at random."""
    offset_ms = rng.randrange(24) * 3_600_000
    return (_sane_now_ms(facts) - offset_ms) // DAY_MS * DAY_MS + offset_ms


def _days(rng: random.Random, midnight_ms: int) -> list[Json]:
    """List consecutive days with a cap for each."""
    cap_g = round(rng.uniform(0.1, 5.0), 3)
    return [{"start_ms": midnight_ms + day * DAY_MS, "cap_g": cap_g} for day in range(rng.randint(8, 14))]


def _meal_id(at_ms: int, slot: str) -> str:
    """Name a meal by its date and its slot."""
    return f"{date(1970, 1, 1) + timedelta(days=at_ms // DAY_MS)}/{slot}"


def _meals(rng: random.Random, facts: Facts, midnight_ms: int) -> list[Json]:
    """List the meals of the coming seven days in their order, leaving out those that are past."""
    slots = sorted(rng.sample(range(0, DAY_MS, 60_000), rng.randint(0, 6)))
    target_g = round(rng.uniform(0.001, 0.5), 3)
    midnights_ms = [midnight_ms + day * DAY_MS for day in range(7)]
    times = [(start_ms + slot_ms, f"m{index}") for start_ms in midnights_ms for index, slot_ms in enumerate(slots)]
    return [
        {"id": _meal_id(at_ms, slot), "at_ms": at_ms, "target_g": target_g}
        for at_ms, slot in times
        if at_ms > facts.now_ms
    ]


def _fallback(rng: random.Random, facts: Facts) -> Message:
    """Say how to feed when the meals run out."""
    at_utc_s: list[Json] = [*sorted(rng.sample(range(86_400), rng.randint(1, 4)))]
    return {
        "daily_g": round(rng.uniform(0.0, 1.0), 3),
        "at_utc_s": at_utc_s,
        "until_ms": facts.now_ms + rng.randint(1, 30) * DAY_MS,
        "blind_days": rng.randint(0, 14),
    }


def _plan(rng: random.Random, facts: Facts) -> Message:
    """Make a valid plan of the known installation with a new version."""
    midnight_ms = _first_midnight_ms(rng, facts)
    return {
        "installation": facts.installation,
        "version": _new_version(rng, facts),
        "issued_at_ms": facts.now_ms,
        "gain_g_per_step": round(rng.uniform(0.0005, 0.05), 5),
        "days": _days(rng, midnight_ms),
        "meals": _meals(rng, facts, midnight_ms),
        "fallback": _fallback(rng, facts),
    }


def _old_plan(rng: random.Random, facts: Facts) -> Message:
    """Make a plan that an earlier one should already have overtaken."""
    plan = _plan(rng, facts)
    plan["version"] = max(1, facts.now_ms - rng.randint(1, 400) * DAY_MS)
    return plan


def _hold(rng: random.Random, facts: Facts) -> Message:
    """Make a valid message that pauses feeding."""
    return {
        "installation": facts.installation,
        "version": _new_version(rng, facts),
        "held": True,
        "reduce_to": rng.choice((None, 0, 0.5, 1)),
        "reason": rng.choice(("ammonia above its line", "", None, "Ammoniak über der Grenze", "by hand")),
    }


def _release(rng: random.Random, facts: Facts) -> Message:
    """Make a valid message that lets feeding go on, in full or reduced."""
    release = _hold(rng, facts)
    release.update(held=False, reduce_to=rng.choice((None, 0, 0.25, 0.5, 1, 1.0)))
    return release


def _received(rng: random.Random, facts: Facts) -> Message:
    """Confirm doses of the known journal up to any number."""
    small = rng.randrange(0, 200)
    return {"journal": facts.journal, "seq": rng.choice((0, 1, small, small, rng.getrandbits(31), 2**31, 2**53))}


def _uptime_ms(rng: random.Random) -> int:
    """Guess how long the device has been running: mostly for a short time."""
    return rng.randrange(60_000) if rng.random() < 0.5 else int(2 ** rng.uniform(0, 34))


def _time_answer(rng: random.Random, facts: Facts) -> Message:
    """Tell the time to the start of the device that is known."""
    drift_ms = rng.choice((0, 0, rng.randint(-5000, 5000), rng.randint(-400, 400) * DAY_MS))
    return {"now_ms": max(0, facts.now_ms + drift_ms), "boot": facts.boot, "uptime_ms": _uptime_ms(rng)}


def _command(rng: random.Random, facts: Facts, word: Json, args: Message) -> Message:
    """Make a command with a fresh id, with its arguments where the sender thinks they belong."""
    command: Message = {"id": _token(rng), "expires_at_ms": facts.now_ms + rng.randint(1000, 600_000), "do": word}
    if rng.random() < 0.3:
        command["expires_at_ms"] = None
    if rng.random() < 0.8:
        command["args"] = args
    else:
        command.update(args, args={})
    return command


def _dispense(rng: random.Random, facts: Facts) -> Message:
    """Ask for no more food than the motor could ever notice."""
    return _command(rng, facts, "dispense", {"target_g": rng.choice((LARGEST_DISPENSE_G, 0.0005, 0.0001, 1e-09, 0))})


def _resend(rng: random.Random, facts: Facts) -> Message:
    """Ask for doses again, for a few or for more than there can be."""
    first = rng.randint(0, 300)
    return _command(rng, facts, "resend", {"from": first, "to": first + rng.choice((0, 1, 20, 1000, 2**31))})


def _near_command(rng: random.Random, facts: Facts) -> Message:
    """Send a command whose word is only similar to one that the device knows."""
    words: tuple[Json, ...] = (
        "Restart", "restart\x00", "restar", "re-start", "TARE", "tares", "tar\u00e9", "calibrat", "calibrate2",
        "Dispense", "dispense\x00", "re\u200bsend", "RESEND", "", "stop", "__init__", "a.b", "d" * 2000,
        None, True, 0, 1.5, ["restart"], {"tare": 1}, ["dispense", "resend"],
    )  # fmt: skip
    return _command(rng, facts, rng.choice(words), {"target_g": 0.001, "mass_g": 10, "from": 1, "to": 2})


def _foreign(maker: MessageMaker, field: str) -> MessageMaker:
    """Turn a message of the known sender into one that names somebody else."""

    def make(rng: random.Random, facts: Facts) -> Message:
        message = maker(rng, facts)
        message[field] = _token(rng)
        return message

    return make


def _update_notice(rng: random.Random, facts: Facts) -> Message:
    """Announce new software in a likely form, with a digest that nothing can match."""
    size = rng.choice((0, 1, 4096, 120_000, 2**31))
    return {"id": _token(rng), "version": f"{rng.randrange(9)}.{rng.randrange(99)}", "size": size, "size_bytes": size,
            "pieces": size // 1024 + 1, "sha256": f"{rng.getrandbits(256):064x}",
            "files": [{"name": rng.choice(("main.py", "../boot.py", "")), "size": size}],
            "issued_at_ms": facts.now_ms}  # fmt: skip


def _piece_of_software(rng: random.Random, facts: Facts) -> Message:
    """Send a piece of that software as text."""
    content = base64.b64encode(rng.randbytes(min(5800, _size(rng)))).decode()
    return {"id": _token(rng), "index": rng.choice((0, 1, -1, 2**31)), "offset": rng.getrandbits(20), "data": content}


BASES: tuple[tuple[str, MessageMaker], ...] = (
    ("plan", _plan),
    ("plan", _plan),
    ("hold", _hold),
    ("hold", _release),
    ("received", _received),
    ("time", _time_answer),
    ("command", _dispense),
    ("command", _resend),
    ("update", _update_notice),
)


def _base(rng: random.Random, facts: Facts) -> tuple[str, Message]:
    """Make any valid message as the start of a damaged one."""
    tail, maker = rng.choice(BASES)
    return tail, maker(rng, facts)


def _valid(tail: str, maker: MessageMaker) -> Maker:
    """Turn a maker of messages into a maker of tails and payloads."""

    def make(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
        return tail, _encoded(_styled(rng, maker(rng, facts)))

    return make


# Bytes that are not JSON.


def _empty(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send nothing at all, as one does to clear a retained message."""
    return _any_tail(rng), b""


def _random_bytes(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send noise."""
    return _any_tail(rng), rng.randbytes(_size(rng))


def _binary_piece(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a piece of software as bytes behind a short header."""
    index = rng.choice((0, 1, 2, 255, 2**16, 2**32 - 1))
    return "piece", index.to_bytes(4, rng.choice(("big", "little"))) + rng.randbytes(_size(rng))


def _one_byte_repeated(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send the same byte again and again."""
    return _any_tail(rng), rng.choice((b"\x00", b"\xff", b"{", b'"', b"\\", b"-", b"9", b"\x80", b",")) * _size(rng)


BROKEN_UTF8 = (b"\xc0\x80", b"\xe0\x80\x80", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\x80", b"\xbf\xbf", b"\xc3",
               b"\xe2\x82", b"\xf0\x9f\x90", b"\xfe\xff", b"\xf8\x88\x80\x80\x80", b"\xc3\xc3\xa4")  # fmt: skip


def _nearly_utf8(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send text in many scripts with a few sequences that no encoder would write."""
    whole = _encoded("".join(rng.choices('aé汉\U0001f41f{}":, ö\u200f\x00', k=max(1, _size(rng) // 3))))
    parts = [whole]
    for _ in range(rng.randint(1, 8)):
        cut = rng.randint(0, len(parts[-1]))
        parts[-1:] = [parts[-1][:cut], rng.choice(BROKEN_UTF8), parts[-1][cut:]]
    return _any_tail(rng), b"".join(parts)


def _broken_text_in_message(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Put broken sequences into the text of a message that is well formed otherwise."""
    tail, message = _base(rng, facts)
    _substitute(rng, message, PLACEHOLDER, _text_paths(message))
    broken = rng.choice(BROKEN_UTF8) * rng.choice((1, 2, 200))
    return _mostly(rng, tail), _compact(message).encode().replace(PLACEHOLDER.encode(), broken)


def _other_encoding(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a valid message in an encoding that was not agreed."""
    tail, message = _base(rng, facts)
    encoding = rng.choice(("utf-16-le", "utf-16-be", "utf-32-le", "cp037", "utf-7"))
    return _mostly(rng, tail), _compact(message).encode(encoding)


def _truncated(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Cut a valid message at any byte."""
    tail, message = _base(rng, facts)
    whole = _encoded(_styled(rng, message))
    return _mostly(rng, tail), whole[: rng.randrange(len(whole))]


def _changed_once(rng: random.Random, data: bytearray) -> None:
    """Change one place in the bytes."""
    at = rng.randrange(len(data) + 1)
    length = rng.choice((1, 1, 2, 8, 64))
    change = rng.randrange(6)
    if change == 0:
        data[at : at + 1] = rng.randbytes(1)
    elif change == 1 and at < len(data):
        data[at] ^= 1 << rng.randrange(8)
    elif change == 2:
        data[at:at] = rng.choice((b"\x00", b'"', b"{", b"}", b"[", b"]", b",", b":", b"\\", b"-", b"e", b"9", b"\xff"))
    elif change == 3:
        del data[at : at + length]
    elif change == 4:
        data[at:at] = data[at : at + length]
    else:
        data[at : at + 1] = rng.choice((b"0", b"1", b"9", b".", b" ", b'"', b"}"))


def _one_byte_changed(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Replace exactly one byte of a valid message by another one."""
    tail, message = _base(rng, facts)
    data = bytearray(_encoded(_styled(rng, message)))
    data[rng.randrange(len(data))] ^= rng.randint(1, 255)
    return _mostly(rng, tail), bytes(data)


def _several_bytes_changed(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Change, insert, delete and repeat bytes in several places of a valid message."""
    tail, message = _base(rng, facts)
    data = bytearray(_encoded(_styled(rng, message)))
    for _ in range(rng.choice((1, 2, 3, 5, 20))):
        _changed_once(rng, data)
    return _mostly(rng, tail), bytes(data)


# JSON of odd shapes.


def _nested(rng: random.Random, size: int, pairs: tuple[tuple[str, str], ...]) -> str:
    """Nest brackets as deeply as the size allows, around a small core."""
    core = rng.choice(("", "0", '"a"', "null"))
    chosen: list[tuple[str, str]] = []
    left = size - len(core)
    while True:
        pair = rng.choice(pairs)
        left -= len(pair[0]) + len(pair[1])
        if left < 0:
            break
        chosen.append(pair)
    inner = core or ("null" if chosen and chosen[-1][0].endswith(":") else "")
    return "".join(opening for opening, _ in chosen) + inner + "".join(closing for _, closing in reversed(chosen))


DEEP_LISTS = (("[", "]"),)
DEEP_OBJECTS = (('{"a":', "}"),)
DEEP_MIXED = (("[", "]"), ('{"a":', "}"), ("[0,", "]"), ('{"":0,"b":', "}"))
DEEP_NAMED = (('{"args":', "}"), ('{"days":[', "]}"), ('{"fallback":', "}"), ('{"meals":[', "]}"))


def _deep(pairs: tuple[tuple[str, str], ...]) -> Maker:
    """Make a maker of deeply nested values."""

    def make(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
        return _any_tail(rng), _encoded(_nested(rng, _large_size(rng), pairs))

    return make


def _unclosed(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Open brackets that are never closed, or close brackets that were never opened."""
    unit = rng.choice(("[", '{"a":', "[[],", '{"a":[', '["', "]", "}", '{"'))
    return _any_tail(rng), _encoded(_repeated(unit, _size(rng), ""))


def _many(*units: str) -> Maker:
    """Make a maker of lists with thousands of tiny members, bare or as a field of an object."""

    def make(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
        members = _repeated(rng.choice(units), _large_size(rng) - 12)
        return _any_tail(rng), _encoded(rng.choice(("[%s]", '{"days":[%s]}', '{"meals":[%s]}')) % members)

    return make


def _many_keys(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send one object with as many different keys as fit."""
    keys = ",".join(f'"{index:x}":{index % 10}' for index in range(_large_size(rng) // 8))
    return _any_tail(rng), _encoded("{" + keys[: LIMIT_BYTES - 2] + "}")


def _huge_string(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send one long string, plain or full of escapes, as a value, as a key or without an end."""
    unit = rng.choice(("a", "ü", "\\n", "\\\\", '\\"', "\\u0041", "\\u0000", "\\ud83d\\udc1f", "\U0001f41f", " "))
    frame = rng.choice(('"%s"', '{"id":"%s"}', '{"%s":0}', '"%s', '{"reason":"%s"'))
    return _any_tail(rng), _encoded(frame % _repeated(unit, _size(rng) - 12, ""))


ODD_NUMBERS = (
    "-0", "-0.0", "0e0", "0E-0", "1e400", "-1e400", "1e-400", "5e-324", "1e308", "1e39", "3.5e38", "1E+2", "1e5", "1.",
    ".5", "+1", "01", "-", "--1", "1e", "1e+", "0x10", "1_000", "1,5", "NaN", "nan", "Infinity", "-Infinity", "inf",
    "1e99999999999", "0.1e1", "1.0000000000000000000000001", "True", "None", "undefined", "TRUE", "nul", "1j", "\u0661",
    "1e-99999999999", "0b1", "0o7", "1-1", "1.2.3", "1e1e1",
)  # fmt: skip


def _odd_numbers(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send numbers, and words in the place of numbers, that readers disagree about."""
    words = [rng.choice(ODD_NUMBERS) for _ in range(rng.choice((1, 1, 3, 1000)))]
    return _any_tail(rng), _encoded(rng.choice(("%s", "[%s]", '{"seq":[%s]}')) % ",".join(words))


def _long_number(rng: random.Random, size: int) -> str:
    """Write a number with very many digits."""
    digits = max(1, size - 6)
    long = rng.choice("123456789") + rng.choice("0379") * (digits - 1)
    return rng.choice((long, "-" + long, "0." + long, long + "e9", long + ".5", "1e" + long, "1e-" + long))


def _long_numbers(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send one number with up to thousands of digits in a place where a number belongs."""
    places: tuple[tuple[str, Message], ...] = (
        ("received", {"journal": facts.journal, "seq": PLACEHOLDER}),
        ("time", {"boot": facts.boot, "uptime_ms": 1000, "now_ms": PLACEHOLDER}),
        ("hold", {"installation": "x", "held": False, "version": PLACEHOLDER}),
        ("command", {"id": "x", "expires_at_ms": PLACEHOLDER, "do": "resend", "args": {"from": 1, "to": 1}}),
    )
    tail, message = rng.choice(places)
    return _mostly(rng, tail), _filled(message, _long_number(rng, max(20, _size(rng) - len(_compact(message)))))


def _duplicate_keys(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send an object in which one key returns again and again."""
    key = rng.choice(("id", "version", "held", "days", "", "x", "seq", "now_ms"))
    values = [rng.choice(("0", "1", "null", "[]", "{}", '"a"', "true")) for _ in range(rng.choice((2, 3, 50, 600)))]
    return _any_tail(rng), _encoded("{" + ",".join(f'"{key}":{value}' for value in values) + "}")


ODD_KEYS = (
    '""', '"\\u0000"', '"\\ud800"', '"\\udc00\\ud800"', '"\\ud83d\\udc1f"', '"\\u0069d"', '"\\/"', '"\\x"', '"\\u12"',
    '"held\\u0000"', '" held"', '"Held"', '"__class__"', '"\\b\\f\\n\\r\\t"', '"a\nb"', '"\x00"', "'held'", "held",
    "1", "null", "[]", "{}", '"\ud800"', '"ключ"', '"\\U0001f41f"',
)  # fmt: skip


def _odd_keys(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send an object with empty, escaped, unquoted or otherwise surprising keys beside the usual ones."""
    tail, message = _base(rng, facts)
    keys = rng.choices(ODD_KEYS, k=rng.choice((1, 2, 40)))
    fields = [f"{key}:{rng.choice(('0', 'null', '[]', 'true'))}" for key in keys]
    return _mostly(rng, tail), _encoded("{" + ",".join(fields) + "," + _compact(message)[1:])


def _byte_order_mark(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a valid message with a byte order mark before, behind or inside it."""
    tail, message = _base(rng, facts)
    text = _styled(rng, message)
    at = rng.choice((0, 0, 1, len(text)))
    return _mostly(rng, tail), _encoded(text[:at] + "\ufeff" * rng.choice((1, 1, 2)) + text[at:])


def _stray_punctuation(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send trailing, leading, doubled or missing commas and colons."""
    tail, message = _base(rng, facts)
    text = _compact(message)
    variants = (text[:-1] + ",}", "{," + text[1:], text.replace(",", ",,", 1), text.replace(":", "", 1), text + ",",
                text.replace("}", ",}"), text.replace("]", ",]"), text.replace(",", " ", 2), text.replace(":", "=", 1),
                text.replace('"', "'"), "[1,]", "{,}", "[,]", '{"a"}', '{"a":}', "[:]")  # fmt: skip
    return _mostly(rng, tail), _encoded(rng.choice(variants))


def _comments(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send comments around and inside a valid message."""
    tail, message = _base(rng, facts)
    text = _compact(message)
    words = "x" * rng.choice((0, 5, max(0, LIMIT_BYTES - len(text) - 8)))
    comment = rng.choice(("/*%s*/", "//%s\n", "#%s\n", "<!--%s-->", "/*%s", "--%s\n")) % words
    at = rng.choice((0, 1, text.find(",") + 1, len(text) - 1, len(text)))
    return _mostly(rng, tail), _encoded(text[:at] + comment + text[at:])


def _padding(rng: random.Random, size: int, units: tuple[str, ...]) -> str:
    """Fill so many bytes with whitespace."""
    unit = rng.choice(units)
    return unit * (max(0, size) // len(_encoded(unit)))


ALLOWED_SPACES = (" ", "\n", "\t", "\r", "\r\n")
OTHER_SPACES = ("\f", "\v", "\u00a0", "\u2028", "\x00", " \n\t\r", " ")


def _only_whitespace(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send nothing but whitespace, of kinds that JSON allows or does not allow."""
    return _any_tail(rng), _encoded(_padding(rng, _size(rng), ALLOWED_SPACES + OTHER_SPACES))


def _padded_valid(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a valid message that whitespace blows up, often to exactly the limit."""
    tail, message = _base(rng, facts)
    text = _compact(message)
    pad = _padding(rng, _large_size(rng) - len(text), ALLOWED_SPACES)
    at = rng.choice((0, 1, text.find(":") + 1, len(text) - 1, len(text)))
    return tail, _encoded(text[:at] + pad + text[at:])


def _badly_padded(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Pad a valid message with whitespace that JSON does not know."""
    tail, message = _base(rng, facts)
    text = _compact(message)
    pad = _padding(rng, rng.choice((8, LIMIT_BYTES - len(text))), OTHER_SPACES)
    return _mostly(rng, tail), _encoded(rng.choice((pad + text, text + pad, text[0] + pad + text[1:])))


def _several_documents(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send several valid messages in one payload."""
    tail, message = _base(rng, facts)
    texts, room = [_compact(message)], _size(rng)
    while len(texts) < 2 or (sum(map(len, texts)) < room and rng.random() < 0.95):
        texts.append(rng.choice((_compact(_base(rng, facts)[1]), texts[0], "{}", "null", "0", "[]")))
    return _mostly(rng, tail), _encoded(rng.choice(("", "\n", " ", ",", "\x00", "\x1e")).join(texts))


def _bare_value(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send valid JSON that is not an object with fields, or a valid message inside a list or a string."""
    inner = _compact(_base(rng, facts)[1])
    values = ("null", "true", "false", "0", "-1", "1.5", '""', '"held"', "[]", "{}", "[null]", "[[]]", "[{}]", "{}{}",
              f"[{inner}]", json.dumps(inner), f'{{"message":{inner}}}', f"[{inner},{inner}]")  # fmt: skip
    return _any_tail(rng), _encoded(rng.choice(values))


# Messages of the right shape with odd fields.


def _paths(value: Json, prefix: Path = ()) -> list[Path]:
    """List the ways to everything inside a value."""
    found: list[Path] = []
    members: list[tuple[str | int, Json]] = []
    if isinstance(value, dict):
        members = list(value.items())
    elif isinstance(value, list):
        members = list(enumerate(value))
    for key, member in members:
        found.append((*prefix, key))
        found.extend(_paths(member, (*prefix, key)))
    return found


def _at(message: Message, path: Path) -> Json:
    """Follow a path into a message."""
    found: Any = message
    for key in path:
        found = found[key]
    value: Json = found
    return value


def _put(message: Message, path: Path, value: Json) -> None:
    """Replace what a path leads to."""
    parent: Any = _at(message, path[:-1])
    parent[path[-1]] = value


def _remove(message: Message, path: Path) -> None:
    """Take away what a path leads to."""
    parent: Any = _at(message, path[:-1])
    del parent[path[-1]]


def _pick_path(rng: random.Random, paths: list[Path]) -> Path:
    """Pick a path, giving the few outer fields as much weight as the many inner ones."""
    outer = [path for path in paths if len(path) == 1]
    return rng.choice(outer if outer and rng.random() < 0.5 else paths)


def _text_paths(message: Message) -> list[Path]:
    """List the ways to all texts."""
    return [path for path in _paths(message) if isinstance(_at(message, path), str)]


def _number_paths(message: Message) -> list[Path]:
    """List the ways to all numbers."""
    return [path for path in _paths(message) if type(_at(message, path)) in (int, float)]


def _mass_paths(message: Message) -> list[Path]:
    """List the ways to all quantities of food."""
    return [path for path in _number_paths(message) if str(path[-1]).endswith(("_g", "_g_per_step"))]


def _list_paths(message: Message) -> list[Path]:
    """List the ways to all lists."""
    return [path for path in _paths(message) if isinstance(_at(message, path), list)]


def _substitute(rng: random.Random, message: Message, value: Json, paths: list[Path]) -> None:
    """Put a value into one of the places."""
    _put(message, _pick_path(rng, paths), value)


def _filled(message: Message, literal: str) -> bytes:
    """Write a message with a piece of JSON in the place that was marked."""
    return _encoded(_compact(message).replace(f'"{PLACEHOLDER}"', literal))


def _with_literals(rng: random.Random, message: Message, paths: list[Path], draw: Callable[[], str]) -> bytes:
    """Write a message with a drawn piece of JSON in one of the places."""
    _substitute(rng, message, PLACEHOLDER, paths)
    return _filled(message, draw())


WRONG_VALUES = (
    "null", "true", "false", '""', '"0"', '"1.5"', '"null"', "[]", "{}", "[[]]", "[{}]", "[null]", "[0]", '{"a":0}',
    "[1,2,3]", '["a"]', "1.5", "0", "-1", "NaN", "Infinity", '{"id":[]}', '"\\u0000"', '"\\ud800"',
)  # fmt: skip


def _wrong_type(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Give one field a value of another type."""
    tail, message = _base(rng, facts)
    return _mostly(rng, tail), _with_literals(rng, message, _paths(message), lambda: rng.choice(WRONG_VALUES))


def _all_wrong_types(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Give every outer field a value that was drawn without regard to its meaning."""
    tail, message = _base(rng, facts)
    fields = [f"{json.dumps(key)}:{rng.choice(WRONG_VALUES)}" for key in message]
    return _mostly(rng, tail), _encoded("{" + ",".join(fields) + "}")


def _missing_field(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Leave out one or several fields."""
    tail, message = _base(rng, facts)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        paths = _paths(message)
        if paths:
            _remove(message, _pick_path(rng, paths))
    return _mostly(rng, tail), _encoded(_styled(rng, message))


def _objects(message: Message) -> list[Message]:
    """List the message itself and all objects inside it that have fields."""
    inner = [_at(message, path) for path in _paths(message)]
    return [message] + [value for value in inner if isinstance(value, dict) and value]


def _doubled_field(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send one field twice in the same object, with the same value or with another one."""
    tail, message = _base(rng, facts)
    target = message if rng.random() < 0.5 else rng.choice(_objects(message))
    key = rng.choice(list(target))
    field = f"{json.dumps(key)}:{rng.choice((_compact(target[key]), rng.choice(WRONG_VALUES)))}"
    once = _compact(target)
    twice = rng.choice((f"{{{field},{once[1:]}", f"{once[:-1]},{field}}}"))
    return _mostly(rng, tail), _encoded(_compact(message).replace(once, twice, 1))


def _extra_fields(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Add fields that nobody knows to a message that is valid otherwise."""
    tail, message = _base(rng, facts)
    target = rng.choice(_objects(message))
    for index in range(rng.choice((1, 3, 30, 150))):
        target[f"unknown_{index}"] = rng.choice((None, True, 0, 1.5, "x", "y" * 30, [], {}))
    return tail, _encoded(_styled(rng, message))


def _field_names_of_others(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Mix the fields of two messages, or send a whole message under the name of another one."""
    tail, message = _base(rng, facts)
    other_tail, other = _base(rng, facts)
    if rng.random() < 0.5:
        return other_tail, _encoded(_styled(rng, message))
    return rng.choice((tail, other_tail)), _encoded(_styled(rng, {**message, **other}))


BOUNDS = (
    "0", "-1", "1", "-0", "-0.0", "1.0", "1.0001", "-0.0001", "1073741823", "1073741824", "-1073741825", "2147483647",
    "2147483648", "-2147483648", "-2147483649", "4294967295", "4294967296", "9007199254740991", "9007199254740992",
    "9007199254740993", "9223372036854775807", "9223372036854775808", "-9223372036854775809", "18446744073709551616",
    "1e308", "-1e308", "1e309", "1e39", "3.5e38", "1e-308", "5e-324", "1e-46", "86399", "86400", "86401", "0.5", "1e12",
    "253402300800000", "-62135596800001", "8640000000000001", "1000000000", "999999999999", "1.7e12",
)  # fmt: skip


def _bound_value(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Set a number to a value at or just outside of what it can hold."""
    tail, message = _base(rng, facts)
    return _mostly(rng, tail), _with_literals(rng, message, _number_paths(message), lambda: rng.choice(BOUNDS))


def _negative_mass(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Ask for less than nothing, or for no number at all, in one quantity of food or in all of them."""
    tail, maker = rng.choice((("plan", _plan), ("plan", _plan), ("command", _dispense)))
    message = maker(rng, facts)
    paths = _mass_paths(message)
    value = rng.choice((-1, -0.001, -0.0, -1e-30, -1e38, -1e308, -(2**31), float("-inf"), float("nan")))
    for path in paths if rng.random() < 0.3 else [_pick_path(rng, paths)]:
        _put(message, path, value)
    return tail, _encoded(_compact(message))


def _empty_lists(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Empty one list of a plan, or all of them, or leave a single member."""
    plan = _plan(rng, facts)
    paths = _list_paths(plan)
    for path in paths if rng.random() < 0.3 else [rng.choice(paths)]:
        members = _at(plan, path)
        _put(plan, path, members[:1] if isinstance(members, list) and rng.random() < 0.3 else [])
    return "plan", _encoded(_styled(rng, plan))


def _fitted(message: Message, field: str) -> bytes:
    """Write a message and shorten one of its lists until it fits."""
    data = _encoded(_compact(message))
    members = message[field]
    while len(data) > LIMIT_BYTES and isinstance(members, list) and members:
        del members[-max(1, len(members) * (len(data) - LIMIT_BYTES) // len(data)) :]
        data = _encoded(_compact(message))
    return data


def _small_plan(rng: random.Random, facts: Facts) -> Message:
    """Make a plan with few days and no meals, to leave room for something else."""
    plan = _plan(rng, facts)
    midnight_ms = _first_midnight_ms(rng, facts)
    plan.update(days=[{"start_ms": midnight_ms + day * DAY_MS, "cap_g": 1} for day in range(8)], meals=[])
    return plan


def _many_days(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a plan with a thousand tiny days, or with as many real days as fit, in order or not."""
    plan = _small_plan(rng, facts)
    start_ms = _first_midnight_ms(rng, facts)
    step_ms = rng.choice((DAY_MS, 0, -DAY_MS, 1, 82_800_000))
    shapes: tuple[Json, ...] = ([], {}, 0, None, [0, 0], "")
    real: list[Json] = [{"start_ms": start_ms + day * step_ms, "cap_g": 1} for day in range(200)]
    if rng.random() < 0.3:
        rng.shuffle(real)
    plan["days"] = [rng.choice(shapes)] * 1000 if rng.random() < 0.5 else real
    return "plan", _fitted(plan, "days")


def _many_meals(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a plan with up to two hundred meals that share ids or times or come in no order."""
    plan = _small_plan(rng, facts)
    start_ms = rng.choice((0, 1, facts.now_ms, facts.now_ms))
    step_ms = rng.choice((0, 1, 60, 60_000))
    same_id = rng.random() < 0.4
    meals: list[Json] = [{"id": "m" if same_id else f"m{index}", "at_ms": start_ms + index * step_ms, "target_g": 0}
                         for index in range(200)]  # fmt: skip
    if rng.random() < 0.4:
        rng.shuffle(meals)
    plan["meals"] = meals
    if start_ms < 2:
        plan["days"] = [{"start_ms": 0, "cap_g": 1}]
    return "plan", _fitted(plan, "meals")


def _id_paths(message: Message) -> list[Path]:
    """List the ways to all names and ids."""
    names = ("id", "installation", "journal", "boot", "reason", "do")
    return [path for path in _paths(message) if path[-1] in names]


def _long_id(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send an id of some four thousand characters."""
    tail, message = _base(rng, facts)
    units = (("a", 4000), ("0", 4001), ("/", 4000), ("ä", 2000), ("\\u0000", 600), ("\U0001f41f", 1000))
    unit, count = rng.choice(units)
    return tail, _with_literals(rng, message, _id_paths(message), lambda: f'"{unit * count}"')


ODD_TEXTS = (
    "", " ", "\x00", "a\x00b", "é", "e\u0301", "汉字", "\U0001f41f", "\u202eabc", "\ud800", "\udfff", "\ufeff",
    "../../boot.py", "/", "a/b/#", "+", "%s%n%d", "{}", "{0.__class__}", '"', "\\", "\n", "\r\n", "null", "0", "-1",
    "2024-02-30/m0", "9999-99-99/m", "'; --", "x" * 63, "x" * 64, "x" * 65, "x" * 255, "x" * 256, "ß" * 128,
    "\uffff", "\x7f\x1b[2J",
)  # fmt: skip


def _odd_id(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send an id that is empty, not plain ASCII, or made to be misread."""
    tail, message = _base(rng, facts)
    paths = _id_paths(message)
    literal = json.dumps(rng.choice(ODD_TEXTS), ensure_ascii=rng.random() < 0.5)
    return tail, _with_literals(rng, message, paths, lambda: literal)


def _huge_value(rng: random.Random, size: int) -> str:
    """Write a value of so many bytes."""
    choice = rng.randrange(5)
    if choice == 0:
        return _nested(rng, size, rng.choice((DEEP_LISTS, DEEP_OBJECTS, DEEP_MIXED, DEEP_NAMED)))
    if choice == 1:
        return "[" + _repeated(rng.choice(("[]", "{}", '""', "0", '{"id":0}', "null")), size - 2) + "]"
    if choice == 2:
        return '"' + _repeated(rng.choice(("a", "ü", "\\u0000", "\\n")), size - 2, "") + '"'
    if choice == 3:
        return _long_number(rng, size)
    return "{" + ",".join(f'"{index:x}":{index % 10}' for index in range(size // 8)) + "}"


def _huge_value_in_field(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Fill the message up to the limit with the value of one field."""
    tail, message = _base(rng, facts)
    _substitute(rng, message, PLACEHOLDER, _paths(message))
    return _mostly(rng, tail), _filled(message, _huge_value(rng, LIMIT_BYTES - len(_compact(message))))


def _huge_unknown_field(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Add one unknown field that fills a valid message up to the limit."""
    tail, message = _base(rng, facts)
    message["unknown"] = PLACEHOLDER
    return tail, _filled(message, _huge_value(rng, LIMIT_BYTES - len(_compact(message))))


def _random_tree(rng: random.Random, depth: int) -> Json:
    """Grow a random value with familiar and unfamiliar keys."""
    if depth == 0 or rng.random() < 0.3:
        return rng.choice((None, True, False, 0, -1, 2**53, 1.5, 1e308, "", "a", rng.choice(ODD_TEXTS)))
    if rng.random() < 0.5:
        return [_random_tree(rng, depth - 1) for _ in range(rng.randrange(5))]
    keys = ("", "id", "version", "held", "days", "meals", "fallback", "args", "at_ms", "cap_g", "journal", "seq",
            "boot", "do", "x")  # fmt: skip
    return {key: _random_tree(rng, depth - 1) for key in rng.sample(keys, rng.randrange(6))}


def _random_object(rng: random.Random, facts: Facts) -> tuple[str, bytes]:
    """Send a valid JSON value that grew without a plan."""
    return _any_tail(rng), _encoded(_styled(rng, _random_tree(rng, rng.randint(1, 6))))


# Nothing that the device would be right to act on in a harmful way.

ESCAPE = re.compile(r"\\u([0-9a-fA-F]{4})")
HARMFUL_WORD = re.compile(r'"do"[\s,:]*"(?:restart|calibrate|tare)"')
DISPENSE_WORD = re.compile(r'"do"[\s,:]*"dispense"')
TARGET = re.compile(r'"target_g"[\s,:]*([-+0-9.eE]+|Infinity)')


def _plain_text(payload: bytes) -> str:
    """Read the payload as generously as any reader could, with its escapes resolved."""
    return ESCAPE.sub(lambda match: chr(int(match.group(1), 16)), payload.decode("latin-1"))


def _is_too_much(number: str) -> bool:
    """Tell whether a number asks for more than the smallest amounts."""
    try:
        return float(number) > LARGEST_DISPENSE_G
    except ValueError:
        return False


def _is_harmful(payload: bytes) -> bool:
    """Tell whether a payload could be taken for a command that a test must not send."""
    text = _plain_text(payload)
    if HARMFUL_WORD.search(text):
        return True
    return bool(DISPENSE_WORD.search(text)) and any(_is_too_much(number) for number in TARGET.findall(text))


def _harmless(payload: bytes) -> bytes:
    """Misspell the word of a harmful command, or drop the payload where that does not help."""
    if not _is_harmful(payload):
        return payload
    misspelt = payload.replace(b'"dispense"', b'"dispensE"')
    return b"{}" if _is_harmful(misspelt) else misspelt


VERSION = re.compile(rb'"version"\s*:\s*([-+0-9.eE]+)')


def _is_far_ahead(number: bytes, now_ms: int) -> bool:
    """Tell whether a version lies more than a day ahead of the known time."""
    try:
        return float(number) > now_ms + DAY_MS
    except ValueError:
        return False


def _rarely_far_ahead(rng: random.Random, payload: bytes, facts: Facts) -> bytes:
    """Let huge versions come from another installation, but for a few.

    After a huge version of the known installation the device rightly ignores all later ones, and the rest of a test
    would no longer reach what lies behind that check.
    """
    if not any(_is_far_ahead(number, facts.now_ms) for number in VERSION.findall(payload)) or rng.random() < 0.02:
        return payload
    return payload.replace(json.dumps(facts.installation).encode(), f'"{_token(rng)}"'.encode())


# The choice among all kinds.

MAKERS: tuple[tuple[str, int, Maker], ...] = (
    ("empty", 4, _empty),
    ("random bytes", 6, _random_bytes),
    ("one byte repeated", 4, _one_byte_repeated),
    ("nearly UTF-8", 5, _nearly_utf8),
    ("broken text in a message", 4, _broken_text_in_message),
    ("other encoding", 4, _other_encoding),
    ("truncated", 6, _truncated),
    ("one byte changed", 6, _one_byte_changed),
    ("several bytes changed", 6, _several_bytes_changed),
    ("deep lists", 4, _deep(DEEP_LISTS)),
    ("deep objects", 4, _deep(DEEP_OBJECTS)),
    ("deep mixture", 4, _deep(DEEP_MIXED + DEEP_NAMED)),
    ("unclosed", 4, _unclosed),
    ("many lists", 4, _many("[]", "[0]", "[[]]", "[[],[]]")),
    ("many objects", 4, _many("{}", '{"a":0}', '{"":{}}', '{"id":"a"}')),
    ("many strings", 4, _many('""', '"a"', '"\\n"', '"ü"', '"0123456789"')),
    ("many numbers", 4, _many("0", "-1", "1.5", "1e9", "4294967296", "null")),
    ("many keys", 4, _many_keys),
    ("huge string", 4, _huge_string),
    ("odd numbers", 4, _odd_numbers),
    ("long numbers", 4, _long_numbers),
    ("duplicate keys", 4, _duplicate_keys),
    ("odd keys", 4, _odd_keys),
    ("byte order mark", 4, _byte_order_mark),
    ("stray punctuation", 4, _stray_punctuation),
    ("comments", 4, _comments),
    ("only whitespace", 4, _only_whitespace),
    ("badly padded", 4, _badly_padded),
    ("several documents", 4, _several_documents),
    ("bare value", 4, _bare_value),
    ("random object", 4, _random_object),
    ("wrong type", 6, _wrong_type),
    ("all types wrong", 4, _all_wrong_types),
    ("missing field", 6, _missing_field),
    ("doubled field", 5, _doubled_field),
    ("extra fields", 4, _extra_fields),
    ("fields of others", 4, _field_names_of_others),
    ("bound value", 6, _bound_value),
    ("negative mass", 4, _negative_mass),
    ("empty lists", 4, _empty_lists),
    ("many days", 4, _many_days),
    ("many meals", 4, _many_meals),
    ("long id", 4, _long_id),
    ("odd id", 5, _odd_id),
    ("huge value in a field", 5, _huge_value_in_field),
    ("huge unknown field", 4, _huge_unknown_field),
    ("valid and padded", 5, _padded_valid),
    ("valid plan", 5, _valid("plan", _plan)),
    ("stranger's plan", 4, _valid("plan", _foreign(_plan, "installation"))),
    ("old plan", 4, _valid("plan", _old_plan)),
    ("valid hold", 4, _valid("hold", _hold)),
    ("valid release", 4, _valid("hold", _release)),
    ("stranger's hold", 4, _valid("hold", _foreign(_hold, "installation"))),
    ("stranger's release", 4, _valid("hold", _foreign(_release, "installation"))),
    ("valid received", 4, _valid("received", _received)),
    ("received of another journal", 4, _valid("received", _foreign(_received, "journal"))),
    ("time for this boot", 4, _valid("time", _time_answer)),
    ("time for another boot", 4, _valid("time", _foreign(_time_answer, "boot"))),
    ("valid dispense", 4, _valid("command", _dispense)),
    ("valid resend", 4, _valid("command", _resend)),
    ("nearly a command", 5, _valid("command", _near_command)),
    ("likely update", 4, _valid("update", _update_notice)),
    ("likely piece", 4, _valid("piece", _piece_of_software)),
    ("binary piece", 4, _binary_piece),
)

_RISING_WEIGHTS: tuple[int, ...] = tuple(accumulate(weight for _, weight, _ in MAKERS))


def odd_message_with_kind(rng: random.Random, device_facts: Facts) -> Oddity:
    """Make one message and say of which kind it is."""
    kind, _, maker = rng.choices(MAKERS, cum_weights=_RISING_WEIGHTS)[0]
    tail, payload = maker(rng, device_facts)
    payload = _rarely_far_ahead(rng, payload, device_facts)[:LIMIT_BYTES]
    return Oddity(kind, tail, _harmless(payload))


def odd_message(rng: random.Random, device_facts: Facts) -> tuple[str, bytes]:
    """Make one message: the tail of its topic, and a payload of at most 8192 bytes."""
    oddity = odd_message_with_kind(rng, device_facts)
    return oddity.tail, oddity.payload
