"""Taking a batch: whose each message is, who handles it, what is refused, and what is kept of devices."""

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace

from tareline.app.context import Context
from tareline.app.ingest import doses, losses, reports
from tareline.app.ingest.doses import ReceivedDose
from tareline.app.ingest.faults import take_fault
from tareline.app.ingest.measurements import take_samples, take_weight
from tareline.app.ingest.result import IngestResult
from tareline.app.ingest.state import DeviceStates
from tareline.app.ingest.times import place_again
from tareline.app.ingest.transaction import IngestTransaction, NotUnderstoodError
from tareline.app.projections.samples import Samples
from tareline.mqtt import messages as wire
from tareline.mqtt.messages import Message
from tareline.store import devices as device_store
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

UNKNOWN_DEVICE = "unknown device: not registered as a feeder or a probe"
HANDLERS: Mapping[str, Callable[[IngestTransaction, str, Message], None]] = {
    "status": reports.take_status,
    "applied": reports.take_applied,
    "weight": take_weight,
    "samples": take_samples,
    "fault": take_fault,
    "reply": reports.take_reply,
    "fetch": reports.take_fetch,
    "update": reports.take_update,
}  # doses and hellos are taken after these, all of a batch together


class Ingest:
    """Takes batches. Used from one thread. Raises StoreError when a batch could not be committed.

    root: the first part of all topics.
    """

    def __init__(self, context: Context, root: str, states: DeviceStates, samples: Samples) -> None:
        self._context, self._states, self._samples = context, states, samples
        self._prefix = root + "/"

    def take(self, batch: Sequence[Message]) -> IngestResult:
        """Put a batch on disk. A message that breaks the taking itself is set aside as one not understood."""
        try:
            return self._take(batch)
        except StoreError:
            raise
        except Exception as error:
            log.exception("a batch of %d messages could not be taken as a whole", len(batch))
            self._states.load()
            if len(batch) == 1:
                with self._transaction() as work:
                    self._reject(work, batch[0], f"internal error: {type(error).__name__}: {error}")
                return work.result
        result = IngestResult()
        for message in batch:
            result.add(self.take([message]))
        return result

    def give_up(self, device: str, journal: str, lost: tuple[int, int], why: str) -> IngestResult:
        """Enter that what is missing of a range of doses will never come; returns what follows from that."""
        with self._transaction() as work:
            losses.give_up(work, device, journal, lost, why)
            self._save_journals(work)
        return work.result

    def expect_rejected(self, device: str) -> None:
        """A device has become known: doses it sent before were set aside, so they exist and are to be asked for."""
        with self._context.store.read() as tx:
            payloads = device_store.rejected_payloads(tx, f"{self._prefix}{device}/up/dose")
        for payload in payloads:
            identity = doses.identity_of(self._states, device, payload)
            if identity is not None:
                journal, seq = identity
                track = self._states.track(device, journal)
                track.known_to = max(track.known_to, seq)

    @contextmanager
    def _transaction(self) -> Iterator[IngestTransaction]:
        with self._context.write() as tx:
            yield IngestTransaction(tx, self._context.stamp_ms(), self._context, self._states, self._samples)

    def _take(self, batch: Sequence[Message]) -> IngestResult:
        received: list[ReceivedDose] = []
        hellos: list[tuple[str, Message, wire.Hello]] = []
        refused: list[tuple[Message, str]] = []
        with self._transaction() as work:
            for message in batch:
                try:
                    device, tail = self._address(message)
                    if tail == "dose":
                        received.append(doses.read_dose(work, device, message))
                    elif tail == "hello":
                        hellos.append((device, message, reports.read_hello(work, device, message)))
                    else:
                        HANDLERS[tail](work, device, message)
                        work.result.count(tail)
                except NotUnderstoodError as error:
                    refused.append((message, str(error)))
            doses.enter(work, received)
            for device, message, hello in hellos:  # after the doses that came with it: those are not missing
                reports.greet(work, device, message, hello)
            for message, reason in refused:
                self._reject(work, message, reason)
            self._save(work)
        return work.result

    def _address(self, message: Message) -> tuple[str, str]:
        """Whose a message is, and the part of its topic that says what it is."""
        if not message.topic.startswith(self._prefix):
            raise NotUnderstoodError(f"topic: expected one under {self._prefix}")
        device, _, tail = message.topic[len(self._prefix) :].partition("/up/")
        if not self._context.register.known_device(device):
            raise NotUnderstoodError(UNKNOWN_DEVICE)
        if tail not in ("dose", "hello") and tail not in HANDLERS:
            raise NotUnderstoodError(f"topic: expected one of the contract's under up/; found {tail!r}")
        if len(message.payload) > wire.UP_BYTES:
            raise NotUnderstoodError(f"payload: expected at most {wire.UP_BYTES} bytes; found {len(message.payload)}")
        return device, tail

    def _reject(self, work: IngestTransaction, message: Message, reason: str) -> None:
        """Keep a message with the reason; where it is a dose whose number can be read, its number is used up."""
        inner = message.topic.removeprefix(self._prefix)
        device = inner.partition("/")[0] or None
        reject = device_store.add_reject(work.tx, device, message.topic, message.payload, reason, work.stamp_ms)
        work.result.count("reject")
        log.warning("not understood on %s: %s", message.topic[:200], reason[:500])
        if device is not None and inner.endswith("/up/dose") and self._context.register.known_device(device):
            doses.enter_unknown(work, device, message, reject)

    def _save_journals(self, work: IngestTransaction) -> None:
        if work.result.journals:
            received = {key: self._states.tracks[key].received for key in work.result.journals}
            device_store.save_journals(work.tx, received)

    def _save(self, work: IngestTransaction) -> None:
        """Write down what the batch has changed of journals, boots and devices."""
        self._save_journals(work)
        boots = self._states.boots
        if boots.changed:
            device_store.save_boots(work.tx, {key: boots.known[key] for key in boots.changed})
            boots.changed.clear()
        for device, boot in boots.moved:
            place_again(work, device, boot)
        boots.moved.clear()
        for device in work.result.devices | work.result.dosed:
            known = replace(self._states.known(device), seen_ms=work.stamp_ms)
            self._states.devices[device] = known
            device_store.save(work.tx, known)
