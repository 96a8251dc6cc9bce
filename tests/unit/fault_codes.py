"""The fault codes that the firmware's README lists: the one place that has them all."""

import re

from tareline.resources import firmware_dir


def fault_codes() -> dict[str, str]:
    """Each code with its meaning."""
    text = (firmware_dir() / "README.md").read_text(encoding="utf-8")
    table = text.split("## Fault codes")[1].split("## ")[0]
    found = dict(re.findall(r"^\| `(\w+)` \| (.*?) \|$", table, flags=re.MULTILINE))
    assert len(found) > 30
    return found
