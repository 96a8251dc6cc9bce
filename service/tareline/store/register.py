"""The register: tanks, foods, waters, kits, feeders, probes and lines, as versions that each hold from an instant
on."""

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select

from tareline.store.tables import register

KINDS = ("tank", "food", "water", "kit", "feeder", "probe", "lines")


@dataclass(frozen=True, slots=True)
class Version:
    """One version: from at_ms on, until the next one's."""

    id: int
    kind: str
    ref: str
    at_ms: int
    recorded_ms: int
    body: dict[str, Any]


def add(connection: Connection, kind: str, ref: str, at_ms: int, recorded_ms: int, body: dict[str, Any]) -> None:
    """Append a version."""
    connection.execute(
        insert(register).values(
            kind=kind, ref=ref, at_ms=at_ms, recorded_ms=recorded_ms, by=body.get("by"), body=json.dumps(body)
        )
    )


class Register:
    """Everything in the register, in memory: it is small and asked for by every message.

    Built whole from the store and replaced when something is added; never changed in place.
    """

    def __init__(self, connection: Connection) -> None:
        self._versions: dict[tuple[str, str], list[Version]] = {}
        order = select(register).order_by(register.c.at_ms, register.c.id)
        for row in connection.execute(order):
            version = Version(row.id, row.kind, row.ref, row.at_ms, row.recorded_ms, json.loads(row.body))
            self._versions.setdefault((row.kind, row.ref), []).append(version)

    def refs(self, kind: str) -> list[str]:
        """The ids of a kind, in the order in which they were first entered."""
        found = [(min(v.id for v in versions), ref) for (k, ref), versions in self._versions.items() if k == kind]
        return [ref for _, ref in sorted(found)]

    def history(self, kind: str, ref: str) -> list[Version]:
        """All versions, by the instant from which they hold."""
        return list(self._versions.get((kind, ref), ()))

    def at(self, kind: str, ref: str, at_ms: int) -> dict[str, Any] | None:
        """The version that held at an instant. Before the first version it is the first one: a thing is older than its
        first entry."""
        versions = self._versions.get((kind, ref))
        if not versions:
            return None
        held = versions[0]
        for version in versions:
            if version.at_ms <= at_ms:
                held = version
        return held.body

    def now(self, kind: str, ref: str) -> dict[str, Any] | None:
        """The newest version."""
        versions = self._versions.get((kind, ref))
        return versions[-1].body if versions else None

    def known_device(self, device: str) -> bool:
        return ("feeder", device) in self._versions or ("probe", device) in self._versions

    def devices_of(self, kind: str, tank: str) -> list[str]:
        """The feeders or probes on a tank by their newest versions."""
        return [ref for ref in self.refs(kind) if (self.now(kind, ref) or {}).get("tank") == tank]

    def stays(self, kind: str, tank: str) -> list[tuple[str, int, int | None]]:
        """Every stay of a feeder or probe on a tank: device, from when, until when (None: still).

        The first version also holds before its own instant.
        """
        stays: list[tuple[str, int, int | None]] = []
        for ref in self.refs(kind):
            versions = self.history(kind, ref)
            for i, version in enumerate(versions):
                if version.body.get("tank") != tank:
                    continue
                until = versions[i + 1].at_ms if i + 1 < len(versions) else None
                if stays and stays[-1][0] == ref and stays[-1][2] == version.at_ms:
                    stays[-1] = (ref, stays[-1][1], until)
                else:
                    stays.append((ref, 0 if i == 0 else version.at_ms, until))
        return stays
