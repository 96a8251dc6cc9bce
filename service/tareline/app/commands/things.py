"""Entering things: tanks, foods, source waters, kits, feeders and probes, each as versions from a time on."""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from tareline.app import holds, requests
from tareline.app.answers import things
from tareline.app.answers.things import ThingAnswer
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.idempotency import request_identity
from tareline.app.requests import parse
from tareline.app.requests.fields import TimedRequest
from tareline.app.snapshot import Snapshots
from tareline.core.units import check_stated
from tareline.errors import FieldError

THINGS: dict[str, type[TimedRequest]] = {
    "tank": requests.TankRequest,
    "food": requests.FoodRequest,
    "water": requests.WaterRequest,
    "kit": requests.KitRequest,
    "feeder": requests.FeederRequest,
    "probe": requests.ProbeRequest,
}
_NOT_KEPT = {"client_ref", "at"}
Body = Mapping[str, Any]


class Things:
    """Enters new things and new versions of them."""

    def __init__(self, context: Context, transactions: Transactions) -> None:
        self._context, self._transactions = context, transactions

    def add(self, kind: str, body: Body | BaseModel) -> ThingAnswer:
        """A new tank, food, water, kit, feeder or probe; 409 where its id is taken."""
        checked = parse(THINGS[kind], body)
        ref = str(checked.id)  # type: ignore[attr-defined]
        taken = self._context.register.now(kind, ref)
        if taken is None and kind in ("feeder", "probe") and self._context.register.known_device(ref):
            taken = {}

        def make(snapshots: Snapshots) -> ThingAnswer:
            if taken is not None:
                raise FieldError("id", f"there is already a device or {kind} {ref!r}", 409)
            return self._put(snapshots, kind, ref, checked)

        return self._transactions.enter(make, things.THINGS[kind], kind, None, request_identity(checked, kind, ref))

    def put(self, kind: str, ref: str, body: Body | BaseModel) -> ThingAnswer:
        """A new version of a thing, from `at` on; 404 where there is none."""
        plain = body.model_dump(exclude_unset=True) if isinstance(body, BaseModel) else dict(body)
        if plain.setdefault("id", ref) != ref:
            raise FieldError("id", f"expected {ref!r} as in the address; found {plain['id']!r}")
        self._context.need(kind, ref)
        checked = parse(THINGS[kind], plain)

        def make(snapshots: Snapshots) -> ThingAnswer:
            return self._put(snapshots, kind, ref, checked)

        return self._transactions.enter(make, things.THINGS[kind], kind, None, request_identity(checked, kind, ref))

    def _put(self, snapshots: Snapshots, kind: str, ref: str, checked: TimedRequest) -> ThingAnswer:
        fields = checked.model_dump(exclude=_NOT_KEPT, mode="json")
        for name in ("tank", "food"):
            if fields.get(name) is not None:
                self._context.refer(name, fields[name])
        if kind == "kit":
            check_stated(fields["analyte"], fields["unit"], fields["basis"])
            if fields["factor"] is not None and (fields["analyte"] != "tds" or fields["unit"] == "uS/cm"):
                raise FieldError("factor", "expected only for an instrument that shows tds in mg/L or ppm")
        before = self._context.register.now(kind, ref) or {}
        self._context.add_version(snapshots.tx, kind, ref, checked.at_ms(self._context.stamp_ms()), fields)
        now = self._context.register.now(kind, ref) or {}
        if kind == "feeder" and now.get("tank") not in (None, before.get("tank")):
            holds.brings_its_stop(snapshots, str(now["tank"]), ref)
        for tank in {before.get("tank"), now.get("tank"), ref if kind == "tank" else None} - {None}:
            holds.apply_changes(snapshots, str(tank))
        told = {"id": ref, **{key: value for key, value in now.items() if key != "by"}}
        return things.THINGS[kind].model_validate(told)
