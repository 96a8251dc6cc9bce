"""The wiring: message -> store -> decision -> message.

The link's thread takes batches and settles what follows from them; threads that serve HTTP enter and look. All writes
go through the store's one writer.
"""

import json
import logging
import secrets
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from tareline.app import dispatch, holds
from tareline.app.alerts import Alerts
from tareline.app.answers.updates import UpdateAnswer
from tareline.app.commands.entries import Entries
from tareline.app.commands.ramp import Evidence, Ramps
from tareline.app.context import ChangeNotice, Context
from tareline.app.deliveries import Deliveries
from tareline.app.ingest import Ingest, Taken
from tareline.app.monitor import Monitor
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.loads import Loads
from tareline.app.projections.samples import Samples
from tareline.app.projections.trends import Trends
from tareline.app.queries.due_list import DueList
from tareline.app.queries.feeder_report import Reports
from tareline.app.queries.overview import Views
from tareline.app.queries.water import WaterQueries
from tareline.app.snapshot import Snapshots
from tareline.app.updates import Updates
from tareline.app.workers import Worker
from tareline.clock import Clock
from tareline.core.safety.hold import CONFIRM_MS
from tareline.core.units import DAY_MS
from tareline.core.weighing.revision import Revision
from tareline.errors import FieldError
from tareline.metrics import Metrics
from tareline.mqtt import messages as wire
from tareline.mqtt.link import Address, Down, Link
from tareline.mqtt.messages import Message
from tareline.notify.targets import Addresses
from tareline.settings import Settings
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device, Issued
from tareline.store.engine import Store, StoreError

log = logging.getLogger(__name__)

SILENT_MS = 60_000  # a board that restarts is back sooner
RECKON_PAUSE_S = 0.5  # what comes together is worked out together
WATCH_PAUSE_S = 0.5  # what comes together is looked at together
WATCH_SHARE = 4  # so many times longer idle than busy, however much there is to look at
WATCH_EVERY_S = 30.0
LOAD_PAUSE_S = 1.0  # what comes together is worked out together, after the accounts
LOAD_SHARE = 1  # idle as long as busy, up to a limit: most of it is the work of a process that gives way to others
LOAD_EVERY_S = 10.0
GAIN_EVERY_MS = DAY_MS  # a feeder takes no larger change than 20 % a day


class Service:
    """One installation: its books, its link to the broker, and what people see and enter.

    on_broken: called when the store or the link failed and the service must end. Raises StoreError, ValueError (and
    with it FieldError, naming a setting).
    """

    def __init__(self, settings: Settings, clock: Clock, on_broken: Callable[[str], None] | None = None) -> None:
        self.settings = settings
        self.clock = clock
        self.metrics = Metrics()
        self.context = Context(Store(settings.store.url, on_broken), clock)
        self.accounts = Accounts(self.context)
        self.trends = Trends(self.context)
        self.samples = Samples(self.context)
        self.ingest = Ingest(self.context, settings.broker.root, self.samples)
        self.loads = Loads(self.context, self.accounts)
        others = [name for name, addresses in settings.notify.others.items() if any(addresses)]
        self.entries = Entries(self.context, self._send, self.samples, others)
        self.ramps = Ramps(self.context, self.entries, self.samples, self._evidence())
        due_list = DueList(self.context, self.accounts, self.trends, self.ramps)
        self.waters = WaterQueries(self.context, self.accounts, self.trends, self.samples)
        self.views = Views(self.context, settings.broker.root, self.accounts, self.samples, self.waters, due_list)
        self.reports = Reports(self.context, self.accounts)
        self.updates = Updates(self.context, Path(settings.updates.secret_file), self._send)
        try:
            addresses = Addresses(settings.notify, self.context.installation)
        except FieldError:
            self.context.store.close()
            raise
        self.alerts = Alerts(self.context, settings.notify, addresses)
        self.deliveries = Deliveries(self.context, addresses)
        self.monitor = Monitor(
            self.context,
            self.accounts,
            self.trends,
            self.samples,
            self.loads,
            self.ramps,
            due_list,
            self.alerts,
            self.entries,
            self.views,
        )
        self.link = Link(
            address=Address.parse(settings.broker.url),
            client_id=f"tareline-{self.context.installation}",
            root=settings.broker.root,
            clock=clock,
            take=self.take,
            settle=self.settle,
            tick=self.tick,
            greeting=self.greeting,
            failed=on_broken if on_broken is not None else log.critical,
        )
        self._pending = Taken()
        self._acknowledged: dict[str, tuple[str, int]] = {}
        self._asked: dict[str, tuple[tuple[str, str], tuple[int, int]]] = {}
        self._made_known: set[str] = set()
        self._overdue: set[tuple[str, int]] = set()
        self._midnight_ms = 0
        self._zones_of = self.context.register
        self._behind = False
        self._started_ms = self.context.stamp_ms()
        self._reckoning = threading.Lock()
        self._deciding = threading.Lock()
        self._watching = threading.Lock()
        self._computing = threading.Lock()
        self._reckoner = Worker("reckoner", self.reckon, clock, pause_s=RECKON_PAUSE_S)
        # After every change, and every half a minute, since time alone brings news too.
        self._watcher = Worker(
            "watcher",
            self.watch,
            clock,
            every_s=WATCH_EVERY_S,
            rest_s=lambda took_s: max(WATCH_PAUSE_S, WATCH_SHARE * took_s),
        )
        # After every change, and now and then, since days pass and what failed is tried again.
        self._loader = Worker(
            "loader",
            self.load,
            clock,
            every_s=LOAD_EVERY_S,
            pause_s=LOAD_PAUSE_S,
            rest_s=lambda took_s: min(LOAD_EVERY_S, LOAD_SHARE * took_s),
        )
        self.workers = (self._reckoner, self._watcher, self._loader)

    def start(self) -> None:
        """Issue what is due, begin to listen to the broker, and keep the accounts."""
        self.context.listen(lambda _change: self._reckoner.wake())
        self.context.listen(self._note_news)
        self.context.listen(self._note_load)
        for worker in self.workers:
            worker.start()
        self.deliveries.start()
        self.link.start()

    def stop(self) -> None:
        """Leave the broker and close the store."""
        self.link.stop()
        self.loads.close()
        for worker in self.workers:
            worker.stop()
        self.deliveries.stop()
        self.context.store.close()

    # -- entries, as pages and HTTP make them ------------------------------------------------------------------------

    def add_reading(self, tank: str, body: Any) -> dict[str, Any]:
        return self.entries.add("reading", tank, body)

    def add_refill(self, feeder: str, body: Any) -> dict[str, Any]:
        return self.entries.add("refill", feeder, body)

    def add_weighin(self, feeder: str, body: Any) -> dict[str, Any]:
        return self.entries.add("weighin", feeder, body)

    def add_of_feeder(self, kind: str, feeder: str, body: Any) -> dict[str, Any]:
        """A loss, a calibration, or the hopper taken off or hung again, which holds or frees the feeder."""
        made = self.entries.add(kind, feeder, body)
        if kind == "hopper":
            self._tell([feeder])
        return made

    def decide(self, finding: str, body: Any) -> dict[str, Any]:
        """Accept or dismiss a finding; answers with the entry that made."""
        with self._deciding:  # a second decision meets the books as the first has left them
            made = self.entries.decide(finding, self.accounts.find(finding), body)
            self.reckon()
        return made

    def add_handfeed(self, tank: str, body: Any) -> dict[str, Any]:
        return self.entries.add("handfeed", tank, body)

    def add_water_change(self, tank: str, body: Any) -> dict[str, Any]:
        return self.entries.add("water-change", tank, body)

    def add_topup(self, tank: str, body: Any) -> dict[str, Any]:
        return self.entries.add("top-up", tank, body)

    def add_note(self, tank: str, body: Any) -> dict[str, Any]:
        return self.entries.add("note", tank, body)

    def hold(self, tank: str, body: Any) -> dict[str, Any]:
        """A person's hold; answers with the hold that is now in force."""
        self.entries.hold(tank, body)
        return self.views.hold(tank)

    def release(self, tank: str, body: Any) -> dict[str, Any]:
        """A person's release; answers with what is now in force."""
        self.entries.release(tank, body)
        return self.views.hold(tank)

    def add_thing(self, kind: str, body: Any) -> dict[str, Any]:
        """A new thing; of a new device the broker may already keep what it said."""
        made = self.entries.add_thing(kind, body)
        if kind in ("feeder", "probe"):
            self._made_known.add(str(made["id"]))
            self.link.subscribe_again()
        return made

    def update(self, device: str, body: dict[str, Any]) -> UpdateAnswer:
        """Offer a device this package's firmware; answers with where that stands."""
        return self.updates.offer(device, body.get("by"))

    def devices(self) -> list[dict[str, Any]]:
        """Every registered device, what it last said, and where its update stands."""
        return [{**device, "update": self.updates.view(device["device"])} for device in self.views.devices()]

    # -- the link's side: called from its thread ---------------------------------------------------------------------

    def take(self, batch: Sequence[Message]) -> None:
        """Put a batch on disk and note what follows. Raises StoreError when it could not be committed."""
        ours = [message for message in batch if not message.topic.endswith("/down/plan")]
        for message in batch:
            if message.topic.endswith("/down/plan") and not message.retained:
                self._overhear(message)
        if not ours:
            return
        taken = self.ingest.take(ours)
        self.metrics.batches.observe(len(ours))
        for what, n in taken.counts.items():
            self.metrics.messages.labels(what).inc(n)
        pending = self._pending
        pending.dosed |= taken.dosed
        pending.changed |= taken.changed
        pending.journals |= taken.journals
        pending.clockless += taken.clockless
        pending.greeted |= taken.greeted
        pending.devices |= taken.devices
        pending.fetches += taken.fetches
        for device, state in taken.updates:
            self.updates.heard(device, state)
        for command in taken.refused_resends:
            asked = self._asked.pop(command, None)
            if asked is not None:
                self._give_up(*asked, "the device refused to send them again")

    def settle(self) -> None:
        """Send what follows from the batches taken since the last time."""
        pending, self._pending = self._pending, Taken()
        register = self.context.register
        # A dose may have fallen before its feeder moved: every tank that it has been on is looked at.
        tanks = {v.body.get("tank") for feeder in pending.dosed for v in register.history("feeder", feeder)}
        tanks |= {tank for _, tank in pending.changed}
        feeders = {f for tank in tanks - {None} for f in register.devices_of("feeder", str(tank))}
        feeders |= {name for name in pending.devices if register.now("feeder", name) is not None}
        sent = self._tell(sorted(feeders))
        self._remind(pending.greeted, {(message.device, message.topic) for message in sent})
        self._acknowledge(pending.journals)
        if not self.context.behind_ms():
            now_ms = self.context.clock.now_ms()
            self._publish(
                [Down(f"{h['device']}/down/time", dispatch.encode(wire.time_answer(now_ms, h)), False, 0)]
                for h in pending.clockless
            )
        self._hand_out(pending.fetches)
        for tank in tanks:
            self.context.announce("dose", tank)
        for name in pending.devices:
            known = register.now("feeder", name) or register.now("probe", name) or {}
            self.context.announce("device", known.get("tank"))

    def greeting(self) -> Sequence[Down]:
        """Everything a broker that forgot must be told: plans, holds, and how far each journal was received."""
        self._tell(self.context.register.refs("feeder"))
        with self.context.store.read() as tx:
            told = list(device_store.issued(tx).values())
            received = device_store.load_journals(tx)
            devices = device_store.load(tx)
        down = [_down(message) for message in sorted(told, key=lambda m: m.topic) if self._may_send(message)]
        for (name, journal), seq in received.items():
            hello = devices.get(name, Device(name)).hello or {}
            if hello.get("journal", journal) == journal:
                down.append(_received(name, journal, seq))
                self._acknowledged[name] = (journal, seq)
        return down

    def tick(self) -> None:
        """What time alone brings: midnights, silent devices, doses to ask for again, holds nobody confirmed."""
        behind = bool(self.context.behind_ms())
        self.metrics.connected.set(self.link.connected.is_set())
        self.metrics.behind.set(self.context.behind_ms() / 1000)
        if behind and not self._behind:
            log.error("the clock is behind the newest entry: holds are sent, but no plan and no time until it is right")
        now_ms = self.context.clock.now_ms()
        if self._zones_of is not self.context.register:
            self._zones_of = self.context.register
            self._midnight_ms = 0  # a tank is new or its zone another: a midnight may have passed already
        if not behind and now_ms >= self._midnight_ms:
            self._midnight_ms = dispatch.next_midnight_ms(self.context, now_ms)
            self._tell(self.context.register.refs("feeder"))
            self.context.announce("day", None)
        if self._behind and not behind:
            self._publish([self.greeting()])
        self._behind = behind
        while self._made_known:
            self.ingest.expect_rejected(self._made_known.pop())
        self._note_silence()
        self._ask_again()
        self._watch_holds()

    # -- the reckoner's side: called from its thread, or by tests ----------------------------------------------------

    def reckon(self) -> None:
        """Work out the accounts of every feeder that the ledger has spoken about, and what follows from them."""
        with self._reckoning:
            for feeder in self.accounts.behind():
                try:
                    revised = self.accounts.compute(feeder)
                except StoreError:
                    raise
                except Exception:  # whatever an estimate stumbles over, feeding and holding go on without it
                    log.exception("the account of %s could not be worked out; its doses count as weighed", feeder)
                    continue
                self._enter_account(feeder, revised)
                self.context.announce("account", self.context.tank_of(feeder, self.context.stamp_ms()))

    def _enter_account(self, feeder: str, revised: Sequence[Revision]) -> None:
        """What an account changes: past days, by which entries; and once a day at most the gain of the next plan."""
        now_ms = self.context.stamp_ms()
        known = self.ingest.devices.get(feeder)
        in_force = ((known.hello if known else None) or {}).get("gain_g_per_step")
        gain = self.accounts.gain(feeder, in_force) if in_force else None
        with self.context.write() as tx:
            if revised:
                days = [
                    {"from_ms": r.start_ms, "before_g": r.before_g, "before_sd_g": r.before_sd_g}
                    | {"after_g": r.after_g, "after_sd_g": r.after_sd_g}
                    for r in revised
                ]
                body = {"entries": list(revised[0].entries), "days": days}
                ledger.add(tx, "revision", now_ms, now_ms, body, device=feeder)
            last = ledger.newest(tx, "gain", device=feeder)
            lasted = not last or now_ms - last[0].at_ms >= GAIN_EVERY_MS
            changed = gain is not None and gain.gain_g_per_step != in_force and lasted
            if changed and gain is not None:
                body = {"gain_g_per_step": gain.gain_g_per_step, "learned_g_per_step": gain.learned_g_per_step}
                body |= {"learned_sd": gain.learned_sd, "bounded": gain.bounded, "before_g_per_step": in_force}
                ledger.add(tx, "gain", now_ms, now_ms, body, device=feeder)
        if changed:
            self._tell([feeder])

    # -- the watcher's side: called from its thread, or by tests ----------------------------------------------------

    def watch(self) -> None:
        """Look after every tank once: samples against their lines, trends, alerts."""
        with self._watching:
            self.monitor.watch()

    def _note_news(self, change: ChangeNotice) -> None:
        if change.what != "alert":  # what the watcher itself brings about
            self._watcher.wake()

    # -- the loader's side: called from its thread, or by tests ------------------------------------------------------

    def load(self) -> None:
        """Have the load of every tank worked out of which something new is known."""
        with self._computing:
            for tank in self.context.register.refs("tank"):
                try:
                    news = self.loads.compute(tank)
                except StoreError:
                    raise
                except Exception:  # without it there is no forecast and no step of a ramp; feeding and holding go on
                    log.exception("the load of %s could not be worked out", tank)
                    continue
                if news:
                    self.context.announce("load", tank)

    def _note_load(self, change: ChangeNotice) -> None:
        if change.what not in ("alert", "load"):  # neither says anything of a tank that its load follows from
            self._loader.wake()

    # -- the ramp ----------------------------------------------------------------------------------------------------

    def _evidence(self) -> Evidence:
        """What the ramp is told."""
        return Evidence(
            knowledge=self.loads.knowledge,
            rising=self.trends.alarms,
            findings=self.accounts.open_findings,
        )

    # -- parts -------------------------------------------------------------------------------------------------------

    def _tell(self, feeders: Sequence[str]) -> Sequence[Issued]:
        """Issue and send what has changed for some feeders; returns it."""
        if not feeders:
            return []
        with self.context.in_order:
            with self.context.write() as tx:
                sent = dispatch.tell(Snapshots(tx, self.context, self.samples), feeders)
            self._send(sent)
        return sent

    def _remind(self, greeted: set[str], sent: set[tuple[str, str]]) -> None:
        """Send again what a feeder that says hello does not obey, unless it was sent just now.

        It may have had no memory for it, or have followed another installation until a person released it.
        """
        if not greeted:
            return
        with self.context.store.read() as tx:
            told = device_store.issued(tx)
        again = []
        for (name, topic), message in sorted(told.items()):
            applied = self.ingest.devices.get(name, Device(name)).applied
            wanted = applied is not None and applied.get(f"{topic}_version", message.version) != message.version
            if name in greeted and wanted and (name, topic) not in sent and self._may_send(message):
                again.append(message)
        self._send(again)

    def _send(self, messages: Sequence[Issued]) -> None:
        self._publish([[_down(message)] for message in messages])

    def _publish(self, groups: Any) -> None:
        down = [message for group in groups for message in group]
        for message in down:
            self.metrics.sent.labels(message.topic.rpartition("/")[2]).inc()
        if down:
            self.link.publish(down)

    def _hand_out(self, fetches: Sequence[tuple[str, wire.Fetch]]) -> None:
        """Answer devices that fetch an update. Without acknowledgement: what is lost is asked for again."""
        for device, asked in fetches:
            body = self.updates.piece(device, asked)
            if body is not None:
                self._publish([[Down(f"{device}/down/piece", dispatch.encode(body), False, 0)]])

    def _may_send(self, message: Issued) -> bool:
        """A plan made before the clock went wrong may be for days that are over; the feeder still has it."""
        return message.topic != "plan" or not self.context.behind_ms()

    def _acknowledge(self, journals: set[tuple[str, str]]) -> None:
        down = []
        for device, journal in journals:
            said = (journal, self.ingest.tracks[device, journal].received)
            if self._acknowledged.get(device) != said:
                self._acknowledged[device] = said
                down.append(_received(device, *said))
        self._publish([down])

    def _overhear(self, message: Message) -> None:
        """A live plan from another installation under this root: hold everything until a person has looked."""
        try:
            other = json.loads(message.payload)["installation"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        if other == self.context.installation:
            return
        text = f"another installation ({str(other)[:64]!r}) sends plans under {self.settings.broker.root}/"
        log.error("%s", text)
        held = []
        with self.context.write() as tx:
            snapshots = Snapshots(tx, self.context, self.samples)
            for tank in self.context.register.refs("tank"):
                if not any(r.kind == "installation" for r in snapshots.of(tank).holds.reasons):
                    holds.hold(snapshots, tank, "installation", text)
                    held.append(tank)
        self._pending.changed |= {("hold", tank) for tank in held}

    def _note_silence(self) -> None:
        """A device that has been off the broker for a minute, and its return, are facts for the books."""
        now_ms = self.context.stamp_ms()
        for known in list(self.ingest.devices.values()):
            silent = known.online is False and self.context.waiting_ms(known.status_ms or now_ms) >= SILENT_MS
            back = bool(known.online) and known.silence_noted
            if (silent and not known.silence_noted) or back:
                with self.context.write() as tx:
                    self._enter_silence(tx, replace(known, silence_noted=silent), known.status_ms or now_ms)

    def _enter_silence(self, tx: Connection, known: Device, at_ms: int) -> None:
        event = "silent" if known.silence_noted else "back"
        ledger.add(tx, "device", at_ms, self.context.stamp_ms(), {"event": event}, device=known.device)
        device_store.save(tx, known)
        self.ingest.devices[known.device] = known
        log.warning("%s is %s", known.device, event)
        self.context.announce("device", self.context.tank_of(known.device, at_ms))

    def _ask_again(self) -> None:
        """Ask devices that are online for the doses that are missing; in the end give them up, loudly."""
        now_s = self.context.clock.monotonic_s()
        for key, track in list(self.ingest.tracks.items()):
            missing = track.missing()
            device, journal = key
            known = self.ingest.devices.get(device)
            if not missing or known is None or not known.online or not self._current(known, journal):
                continue
            if not track.ask_due(now_s):
                continue
            if track.given_up:
                self._give_up(key, (1, missing[-1][1]), f"not sent again though asked for {track.asked} times")
                continue
            track.note_ask(now_s)
            commands = []
            for first, last in missing[:20]:
                command = f"resend-{secrets.token_hex(6)}"
                self._asked[command] = (key, (first, last))
                commands.append(
                    Down(f"{device}/down/command", dispatch.encode(wire.resend(command, first, last)), False)
                )
            ranges = ", ".join(f"{first} to {last}" for first, last in missing[:20])
            log.warning("asking %s again for doses %s", device, ranges)
            self._publish([commands])

    @staticmethod
    def _current(known: Device, journal: str) -> bool:
        return bool((known.hello or {}).get("journal", journal) == journal)

    def _give_up(self, key: tuple[str, str], lost: tuple[int, int], why: str) -> None:
        taken = Taken()
        with self.context.write() as tx:
            self.ingest.give_up(tx, key, lost, why, taken)
            device_store.save_journals(tx, {key: self.ingest.tracks[key].received})
        self._pending.dosed |= taken.dosed
        self._pending.journals |= taken.journals
        self.settle()

    def _watch_holds(self) -> None:
        """Tell pages when a hold has gone unconfirmed for a minute."""
        now_ms = self.context.stamp_ms()
        with self.context.store.read() as tx:
            told = device_store.issued(tx)
        for (name, topic), message in told.items():
            asked_ms = max(message.issued_ms, self._started_ms)
            if (
                topic != "hold"
                or self.context.waiting_ms(asked_ms) < CONFIRM_MS
                or (name, message.version) in self._overdue
            ):
                continue
            self._overdue.add((name, message.version))
            known = self.ingest.devices.get(name, Device(name))
            if not known.confirms("hold", message.version):
                log.warning("%s has not confirmed its hold message for a minute", name)
                self.context.announce("hold", self.context.tank_of(name, now_ms))


def _down(message: Issued) -> Down:
    return Down(f"{message.device}/down/{message.topic}", dispatch.encode(message.body), True)


def _received(device: str, journal: str, seq: int) -> Down:
    return Down(f"{device}/down/received", dispatch.encode(wire.received(journal, seq)), True)
