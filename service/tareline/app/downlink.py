"""Everything that goes down to devices: plans, holds, how far journals were received, pieces of updates.

It may be used by any thread: what follows from a commit is sent in the order of the commits (`Context.in_order`).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence

from tareline.app import dispatch
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.app.snapshot import Snapshots
from tareline.metrics import Metrics
from tareline.mqtt import messages as wire
from tareline.mqtt.link import Down
from tareline.store import devices as device_store
from tareline.store.devices import Device, Issued


class Downlink:
    """What devices are told.

    known: what is known of a device. publish: hands messages to the broker.
    """

    def __init__(
        self,
        context: Context,
        metrics: Metrics,
        samples: Samples,
        known: Callable[[str], Device],
        publish: Callable[[Sequence[Down]], None],
    ) -> None:
        self._context, self._metrics, self._samples = context, metrics, samples
        self._known, self._publish = known, publish
        self._acknowledged: dict[str, tuple[str, int]] = {}

    def greeting(self) -> Sequence[Down]:
        """Everything that a broker without memory must be told: plans, holds, and how far each journal was received.

        It has the state of the moment at which the store was read: what is sent after that must not leave before it.
        """
        self.tell(self._context.register.refs("feeder"))
        with self._context.store.read() as tx:
            told = list(device_store.issued(tx).values())
            received = device_store.load_journals(tx)
            devices = device_store.load(tx)
        down = [_down(message) for message in sorted(told, key=lambda m: m.topic) if self._may_send(message)]
        for (name, journal), seq in received.items():
            hello = devices.get(name, Device(name)).hello or {}
            if hello.get("journal", journal) == journal:
                down.append(received_message(name, journal, seq))
                self._acknowledged[name] = (journal, seq)
        return down

    def greet(self) -> None:
        """Send the greeting on an existing connection, in order with what others send."""
        with self._context.in_order:
            self.publish(self.greeting())

    def tell(self, feeders: Sequence[str]) -> Sequence[Issued]:
        """Issue and send what has changed for some feeders; returns it."""
        if not feeders:
            return []
        with self._context.in_order:
            with self._context.write() as tx:
                sent = dispatch.tell(Snapshots(tx, self._context, self._samples), feeders)
            self.send(sent)
        return sent

    def remind(self, greeted: set[str], sent: set[tuple[str, str]]) -> None:
        """Send again what a feeder that says hello does not obey, unless it was sent just now.

        It may have had no memory for it, or have followed another installation until a person released it.
        greeted: the devices that said hello. sent: (device, topic) of what was sent just now.
        """
        if not greeted:
            return
        with self._context.in_order:
            with self._context.store.read() as tx:
                told = device_store.issued(tx)
            again = []
            for (name, topic), message in sorted(told.items()):
                applied = self._known(name).applied
                wanted = applied is not None and applied.get(f"{topic}_version", message.version) != message.version
                if name in greeted and wanted and (name, topic) not in sent and self._may_send(message):
                    again.append(message)
            self.send(again)

    def acknowledge(self, journals: Mapping[tuple[str, str], int]) -> None:
        """Tell devices how far their journals, by device and name, were received, where they were not told yet."""
        down = []
        for (device, journal), seq in journals.items():
            if self._acknowledged.get(device) != (journal, seq):
                self._acknowledged[device] = (journal, seq)
                down.append(received_message(device, journal, seq))
        self.publish(down)

    def send(self, messages: Sequence[Issued]) -> None:
        """Send what was issued."""
        self.publish([_down(message) for message in messages])

    def publish(self, messages: Iterable[Down]) -> None:
        """Hand messages to the broker, and count them by topic."""
        down = list(messages)
        for message in down:
            self._metrics.sent.labels(message.topic.rpartition("/")[2]).inc()
        if down:
            self._publish(down)

    def _may_send(self, message: Issued) -> bool:
        """Whether a message may be sent: no plan while the clock is behind. It may be for past days, and the feeder
        still has it."""
        return message.topic != "plan" or not self._context.behind_ms()


def received_message(device: str, journal: str, seq: int) -> Down:
    """How far a journal was received, as it goes over the wire."""
    return Down(f"{device}/down/received", dispatch.encode(wire.received(journal, seq)), True)


def _down(message: Issued) -> Down:
    return Down(f"{message.device}/down/{message.topic}", dispatch.encode(message.body), True)
