"""Plans as the service sends them, of the size that the contract allows at most."""

import json
from typing import Any

DAY_MS = 86_400_000
HOURS = (1, 2, 4, 5, 7, 8, 10, 11, 13, 14, 16, 18, 20, 22)  # 14 meals a day
LARGEST_BYTES = 8192  # the contract's limit of a message to a device
TARGET_G = 0.02


def plan(midnight_ms: int, now_ms: int, version: int, cap_g: float = 2.0) -> bytes:
    """Seven days of 14 meals, from what is left of the day that begins at midnight_ms; exactly LARGEST_BYTES long."""
    first = midnight_ms // DAY_MS
    meals = [
        {"id": f"{first + day}/{hour:02}:00 window", "at_ms": at_ms, "target_g": TARGET_G}
        for day in range(7)
        for hour in HOURS
        if (at_ms := midnight_ms + day * DAY_MS + hour * 3_600_000) > now_ms
    ]
    body: dict[str, Any] = {
        "installation": "window-sill",
        "version": version,
        "issued_at_ms": now_ms,
        "gain_g_per_step": 0.001,
        "days": [{"start_ms": midnight_ms + day * DAY_MS, "cap_g": cap_g} for day in range(9)],
        "meals": meals,
        "fallback": {
            "daily_g": 0.15,
            "at_utc_s": [25200, 64800],
            "until_ms": now_ms + 28 * DAY_MS,
            "blind_days": 3,
        },
    }
    body["note"] = ""  # a field that no device knows fills up the rest
    body["note"] = "x" * (LARGEST_BYTES - len(json.dumps(body)))
    payload = json.dumps(body).encode()
    assert len(payload) == LARGEST_BYTES
    return payload
