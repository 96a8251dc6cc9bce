"""The wiring: message -> store -> decision -> message.

The link's thread takes batches and settles what follows from them; threads that serve HTTP enter and look; each work of
the supervisor has a thread of its own. All writes go through the store's one writer.
"""

import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tareline.app.alerts import Alerts
from tareline.app.answers.feeding import HoldAnswer
from tareline.app.answers.things import ThingAnswer
from tareline.app.batches import Batches
from tareline.app.bookkeeping import Bookkeeping
from tareline.app.commands.entries import Entries
from tareline.app.commands.feeding import Feeding
from tareline.app.commands.findings import Findings
from tareline.app.commands.ramp import Ramps, RampSources
from tareline.app.commands.things import Things
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.deliveries import Deliveries
from tareline.app.downlink import Downlink
from tareline.app.ingest.ingest import Ingest
from tareline.app.ingest.state import DeviceStates
from tareline.app.monitor import Monitor
from tareline.app.periodic import Periodic
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.loads import Loads
from tareline.app.projections.samples import Samples
from tareline.app.projections.trends import Trends
from tareline.app.queries.books import BookQueries
from tareline.app.queries.devices import DeviceQueries
from tareline.app.queries.due_list import DueList
from tareline.app.queries.feeder_report import Reports
from tareline.app.queries.holds import HoldQueries
from tareline.app.queries.ledger import LedgerQueries
from tareline.app.queries.tanks import TankQueries
from tareline.app.queries.water import WaterQueries
from tareline.app.resends import Resends
from tareline.app.supervisor import Supervisor
from tareline.app.updates import Updates
from tareline.app.work_alerts import WorkAlerts
from tareline.app.work_metrics import WorkMetrics
from tareline.app.works import works
from tareline.clock import Clock
from tareline.errors import FieldError
from tareline.metrics import Metrics
from tareline.mqtt.link import Address, Down, Link
from tareline.notify.targets import Addresses
from tareline.settings import Settings
from tareline.store.engine import Store

log = logging.getLogger(__name__)


class Service:
    """One installation: its books, its link to the broker, and what people see and enter.

    on_broken: called when the store or the link failed and the service must end. Raises StoreError, ValueError (and
    with it FieldError, naming a setting).
    """

    def __init__(self, settings: Settings, clock: Clock, on_broken: Callable[[str], None] | None = None) -> None:
        self.settings = settings
        self.clock = clock
        root = settings.broker.root
        self.metrics = Metrics()
        self.context = Context(Store(settings.store.url, on_broken), clock)
        self.accounts = Accounts(self.context)
        self.trends = Trends(self.context)
        self.samples = Samples(self.context)
        self.device_states = DeviceStates(self.context)
        self.ingest = Ingest(self.context, root, self.device_states, self.samples)
        self.downlink = Downlink(self.context, self.metrics, self.samples, self.device_states.known, self._publish)
        self.loads = Loads(self.context, self.accounts)
        others = [name for name, addresses in settings.notify.others.items() if any(addresses)]
        send = self.downlink.send
        self.transactions = Transactions(self.context, send, self.samples)
        self.things = Things(self.context, self.transactions)
        self.entries = Entries(self.context, self.transactions)
        self.feeding = Feeding(self.context, self.transactions, others)
        self.ramps = Ramps(self.context, self.transactions, self.samples, self._ramp_sources())
        due_list = DueList(self.context, self.accounts, self.trends, self.ramps)
        self.waters = WaterQueries(self.context, self.accounts, self.trends, self.samples)
        self.books = BookQueries(self.context, self.accounts, self.samples, self.waters)
        self.hold_states = HoldQueries(self.context, self.samples)
        self.tanks = TankQueries(
            self.context, self.accounts, self.samples, self.books, self.hold_states, self.waters, due_list
        )
        self.ledger = LedgerQueries(self.context, root, self.accounts)
        self.reports = Reports(self.context, self.accounts)
        self.updates = Updates(self.context, Path(settings.updates.secret_file), send)
        self.devices = DeviceQueries(self.context, self.accounts, self.samples, self.updates.view)
        try:
            addresses = Addresses(settings.notify, self.context.installation)
        except FieldError:
            self.context.store.close()
            raise
        self.alerts = Alerts(self.context, settings.notify, addresses)
        self.deliveries = Deliveries(self.context, addresses)
        self.bookkeeping = Bookkeeping(
            self.context,
            self.accounts,
            Findings(self.context, self.transactions),
            self.downlink,
            self.device_states.known,
        )
        self.monitor = Monitor(
            self.context,
            self.accounts,
            self.trends,
            self.samples,
            self.loads,
            self.ramps,
            due_list,
            self.alerts,
            self.transactions,
            self.books,
        )
        resends = Resends(self.context, self.device_states, self.ingest, self.downlink)
        self.batches = Batches(
            self.context,
            self.metrics,
            self.samples,
            self.device_states,
            self.ingest,
            self.downlink,
            resends,
            self.updates,
            root,
        )
        self.periodic = Periodic(
            self.context, self.device_states, self.ingest, self.downlink, resends, self.batches.settle_loss
        )
        self.link = Link(
            address=Address.parse(settings.broker.url),
            client_id=f"tareline-{self.context.installation}",
            root=root,
            clock=clock,
            take=self.batches.take,
            settle=self.batches.settle,
            tick=self.tick,
            greeting=self.downlink.greeting,
            failed=on_broken if on_broken is not None else log.critical,
        )
        # What drives a service; who drives one without threads calls these too.
        self.take, self.settle, self.greeting = self.batches.take, self.batches.settle, self.downlink.greeting
        self.update_accounts, self.watch, self.load = self.bookkeeping.update, self.monitor.watch, self.loads.work
        self.supervisor = Supervisor(clock, works(self.update_accounts, self.watch, self.load, self.watch_works))
        self.work_alerts = WorkAlerts(self.context, self.alerts, self.supervisor.works, self.supervisor.states)
        self.metrics.registry.register(WorkMetrics(self.supervisor))

    def start(self) -> None:
        """Issue what is due, begin to listen to the broker, and keep the accounts."""
        self.context.listen(self.supervisor.note)
        self.supervisor.start()
        self.deliveries.start()
        self.link.start()

    def stop(self) -> None:
        """Leave the broker and close the store."""
        self.link.stop()
        self.loads.close()
        self.supervisor.stop()
        self.deliveries.stop()
        self.context.store.close()

    def tick(self) -> None:
        """What time alone brings; called by the link's thread about once a second."""
        self.metrics.connected.set(self.link.connected.is_set())
        self.metrics.behind.set(self.context.behind_ms() / 1000)
        self.periodic.tick()

    def _publish(self, messages: Sequence[Down]) -> None:
        self.link.publish(messages)  # which is made last, since it is given all the others

    def watch_works(self) -> None:
        """Tell people of works that fail or lag."""
        self.work_alerts.record()

    def _ramp_sources(self) -> RampSources:
        """Where the ramp gets what it needs to know of a tank."""
        return RampSources(
            knowledge=self.loads.knowledge,
            rising=self.trends.alarms,
            findings=self.accounts.open_findings,
        )

    # -- entries, as pages and HTTP make them ------------------------------------------------------------------------

    def hold(self, tank: str, body: Any) -> HoldAnswer:
        """A person's hold; answers with the hold that is now in force."""
        self.feeding.hold(tank, body)
        return self.hold_states.hold(tank)

    def release(self, tank: str, body: Any) -> HoldAnswer:
        """A person's release; answers with what is now in force."""
        self.feeding.release(tank, body)
        return self.hold_states.hold(tank)

    def add_thing(self, kind: str, body: Any) -> ThingAnswer:
        """A new thing; of a new device the broker may already keep what it said."""
        made = self.things.add(kind, body)
        if kind in ("feeder", "probe"):
            self.periodic.expect(made.id)
            self.link.subscribe_again()
        return made
