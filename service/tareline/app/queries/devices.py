"""Every registered device and what it last said."""

from collections.abc import Callable
from typing import Annotated

from pydantic import Field

from tareline.app.answers.base import Answer, LocalTime
from tareline.app.answers.feeding import StopAnswer
from tareline.app.answers.hoppers import HopperAdvice
from tareline.app.answers.updates import UpdateAnswer
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.samples import Samples
from tareline.app.queries.holds import stop_view
from tareline.app.queries.hopper import advice_view, content_g, weighed_last
from tareline.app.snapshot import Snapshots
from tareline.core.calendar import rfc3339
from tareline.mqtt.journals import Track
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device, Issued


class DeviceAnswer(Answer):
    """A registered device, what it last said, and where its update stands; null is what it has not said."""

    device: str
    kind: Annotated[str, Field(description="feeder or probe")]
    tank: str | None
    online: bool | None
    last_seen: LocalTime | None
    silent_since: LocalTime | None
    firmware: str | None
    board: str | None
    boot: Annotated[str | None, Field(description="Names the time since it last started")]
    clock: Annotated[str | None, Field(description="Whether its clock is set")]
    heap_free_bytes: int | None
    heap_largest_bytes: Annotated[int | None, Field(description="The largest piece that is free")]
    plan_version: Annotated[int | None, Field(description="Version of the newest plan that was sent")]
    plan_confirmed: bool
    hold_version: Annotated[int | None, Field(description="Version of the newest hold message that was sent")]
    hold_confirmed: bool
    received_seq: Annotated[int | None, Field(description="Doses are on disk up to this sequence number")]
    waiting_for: Annotated[list[list[int]], Field(description="Missing doses: first and last of each range")]
    stopped: StopAnswer | None
    hopper_advice: HopperAdvice | None
    update: UpdateAnswer


class DeviceQueries:
    """Every device. Each call is one snapshot of the store.

    update_of: where the update of a device stands.
    """

    def __init__(
        self, context: Context, accounts: Accounts, samples: Samples, update_of: Callable[[str], UpdateAnswer]
    ) -> None:
        self._context = context
        self._accounts = accounts
        self._samples = samples
        self._update_of = update_of

    def all(self) -> list[DeviceAnswer]:
        """Every registered device, feeders first."""
        register = self._context.register
        found = []
        with self._context.store.read() as tx:
            snapshots = Snapshots(tx, self._context, self._samples)
            known, told = snapshots.devices, snapshots.issued
            received = device_store.load_journals(tx)
            weighed = weighed_last(tx, register.refs("feeder"))
            for kind in ("feeder", "probe"):
                for name in register.refs(kind):
                    tank = (register.now(kind, name) or {}).get("tank")
                    zone = self._context.zone(tank) if tank is not None else "UTC"
                    device = known.get(name, Device(name))
                    hello = device.hello or {}
                    track = Track(
                        received.get((name, str(hello.get("journal"))), 0), set(), hello.get("journal_to") or 0
                    )
                    if hello.get("journal") is not None:
                        track.above = ledger.seqs_above(tx, name, hello["journal"], track.received)
                    stop = snapshots.feeder(name).stop if kind == "feeder" else None
                    held = tank is None or snapshots.of(tank).holds.held
                    stopped = stop_view(stop, held, told.get((name, "hold")), zone)
                    advice = None
                    if kind == "feeder" and tank is not None:
                        plan = told.get((name, "plan"))
                        body = None if plan is None else plan.body
                        advice = advice_view(
                            self._context,
                            name,
                            snapshots.of(tank),
                            content_g(self._accounts, name, weighed[name], zone),
                            body,
                        )
                    update = self._update_of(name)
                    found.append(_view(name, kind, tank, device, told, track, zone, stopped, advice, update))
        return found


def _view(
    name: str,
    kind: str,
    tank: str | None,
    known: Device,
    told: dict[tuple[str, str], Issued],
    track: Track,
    zone: str,
    stopped: StopAnswer | None,
    advice: HopperAdvice | None,
    update: UpdateAnswer,
) -> DeviceAnswer:
    hello = known.hello or {}
    plan, hold = told.get((name, "plan")), told.get((name, "hold"))
    silent = known.online is False and known.status_ms is not None
    return DeviceAnswer(
        device=name,
        kind=kind,
        tank=tank,
        online=known.online,
        last_seen=None if known.seen_ms is None else rfc3339(known.seen_ms, zone),
        silent_since=rfc3339(known.status_ms or 0, zone) if silent else None,
        firmware=hello.get("firmware"),
        board=known.board,
        boot=hello.get("boot"),
        clock=hello.get("clock"),
        heap_free_bytes=hello.get("heap_free_bytes"),
        heap_largest_bytes=hello.get("heap_largest_bytes"),
        plan_version=None if plan is None else plan.version,
        plan_confirmed=plan is not None and known.confirms("plan", plan.version),
        hold_version=None if hold is None else hold.version,
        hold_confirmed=hold is not None and known.confirms("hold", hold.version),
        received_seq=track.received if hello.get("journal") is not None else None,
        waiting_for=[list(missing) for missing in track.missing()],
        stopped=stopped,
        hopper_advice=advice,
        update=update,
    )
