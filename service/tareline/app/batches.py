"""Batches of messages from devices: put on disk, acknowledged, and settled, which sends what follows from them."""

from collections.abc import Sequence

from tareline.app import dispatch
from tareline.app.context import Context
from tareline.app.downlink import Downlink
from tareline.app.ingest.ingest import Ingest
from tareline.app.ingest.result import IngestResult
from tareline.app.ingest.state import DeviceStates
from tareline.app.other_installations import hold_for_another
from tareline.app.projections.samples import Samples
from tareline.app.resends import Resends
from tareline.app.updates import Updates
from tareline.metrics import Metrics
from tareline.mqtt import messages as wire
from tareline.mqtt.link import Down
from tareline.mqtt.messages import Message


class Batches:
    """Takes batches and settles what follows. Used by the link's thread only.

    root: the first part of all topics.
    """

    def __init__(
        self,
        context: Context,
        metrics: Metrics,
        samples: Samples,
        states: DeviceStates,
        ingest: Ingest,
        downlink: Downlink,
        resends: Resends,
        updates: Updates,
        root: str,
    ) -> None:
        self._context, self._metrics, self._samples, self._root = context, metrics, samples, root
        self._states, self._ingest, self._downlink = states, ingest, downlink
        self._resends, self._updates = resends, updates
        self._pending = IngestResult()

    def take(self, batch: Sequence[Message]) -> None:
        """Put a batch on disk and note what follows. Raises StoreError when it could not be committed."""
        ours = [message for message in batch if not message.topic.endswith("/down/plan")]
        for message in batch:
            if message.topic.endswith("/down/plan") and not message.retained:
                held = hold_for_another(self._context, self._samples, message, self._root)
                self._pending.held.update(held)
        if not ours:
            return
        taken = self._ingest.take(ours)
        self._metrics.batches.observe(len(ours))
        for what, n in taken.counts.items():
            self._metrics.messages.labels(what).inc(n)
        self._pending.add(taken)
        for device, state in taken.updates:
            self._updates.heard(device, state)
        for command in taken.done_commands:
            self._resends.promised(command)
        for command in taken.refused_resends:
            lost = self._resends.refused(command)
            if lost is not None:
                self.settle_loss(lost)

    def settle_loss(self, lost: IngestResult) -> None:
        """Send what follows from doses that were given up, and from all that was taken before."""
        self._pending.add(lost)
        self.settle()

    def settle(self) -> None:
        """Send what follows from the batches taken since the last time."""
        pending, self._pending = self._pending, IngestResult()
        register = self._context.register
        # A dose may have been given before its feeder moved: every tank that it has been on is included.
        tanks = {v.body.get("tank") for feeder in pending.dosed for v in register.history("feeder", feeder)}
        tanks |= pending.held
        feeders = {f for tank in tanks - {None} for f in register.devices_of("feeder", str(tank))}
        feeders |= {name for name in pending.devices if register.now("feeder", name) is not None}
        sent = self._downlink.tell(sorted(feeders))
        self._downlink.remind(pending.greeted, {(message.device, message.topic) for message in sent})
        self._downlink.acknowledge({key: self._states.tracks[key].received for key in pending.journals})
        if not self._context.behind_ms():
            now_ms = self._context.clock.now_ms()
            self._downlink.publish(
                Down(f"{device}/down/time", dispatch.encode(wire.time_answer(now_ms, hello)), False, 0)
                for device, hello in pending.clockless
            )
        self._hand_out(pending.fetches)
        for tank in tanks:
            self._context.announce("dose", tank)
        for name in pending.devices:
            known = register.now("feeder", name) or register.now("probe", name) or {}
            self._context.announce("device", known.get("tank"))

    def _hand_out(self, fetches: Sequence[tuple[str, wire.Fetch]]) -> None:
        """Answer devices that fetch an update. Sent without acknowledgement (QoS 0): a device asks again for what is
        lost."""
        for device, asked in fetches:
            body = self._updates.piece(device, asked)
            if body is not None:
                self._downlink.publish([Down(f"{device}/down/piece", dispatch.encode(body), False, 0)])
