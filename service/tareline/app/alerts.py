"""Alerts of an installation: in one transaction they are decided, written down and queued for the people who are
told."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import time
from typing import Any

from sqlalchemy import Connection

from tareline.app import idempotency
from tareline.app.answers.alerts import AlertAnswer
from tareline.app.context import Context
from tareline.app.requests import SeenRequest, parse
from tareline.core.alerts import alert as rules
from tareline.core.alerts.alert import Alert, AlertChanges, Concern, Notice, QuietHours, Rules
from tareline.core.alerts.service_concerns import KEY
from tareline.core.calendar import from_ms, meal_ms, rfc3339
from tareline.core.units import DAY_MS, HOUR_MS
from tareline.errors import FieldError
from tareline.notify import texts
from tareline.notify.targets import Addresses, Letter
from tareline.settings import Notify
from tareline.store import alerts as store
from tareline.store.engine import get_meta, put_meta

KEPT_MS = 14 * DAY_MS  # then a message is given up
MORNING_MS = 4 * HOUR_MS  # a morning message is not sent later than this
LISTED = 500
NOWHERE = "Tareline"  # shown in place of a tank in alerts that are about no tank


class Alerts:
    """What a person is told, over a store."""

    def __init__(self, context: Context, settings: Notify, addresses: Addresses) -> None:
        self._context = context
        self._settings = settings
        self._addresses = addresses
        start, _, end = settings.quiet.partition("-")
        self._quiet = QuietHours(time.fromisoformat(start), time.fromisoformat(end)) if settings.quiet else None

    def record(
        self, tx: Connection, concerns: Iterable[Concern], now_ms: int, instead: Mapping[str, str] | None = None
    ) -> AlertChanges:
        """Bring the alerts up to date, and queue the messages that follow. To be called often: alerts also change with
        time alone.

        concerns: all present ones, except those of works. instead: by tank, the name of the person who is told during
        an absence. After the commit, `announce("alert", ...)` makes the outbox look; it looks by itself once a minute.
        """
        step = self._step(tx, concerns, False, now_ms, instead or {})
        self._sign_of_life(tx, now_ms)
        return step

    def record_works(self, tx: Connection, concerns: Iterable[Concern], now_ms: int) -> AlertChanges:
        """The same for the concerns of the service's own works, all of them. Other alerts stay as they are."""
        return self._step(tx, concerns, True, now_ms, {})

    def _step(
        self, tx: Connection, concerns: Iterable[Concern], of_works: bool, now_ms: int, instead: Mapping[str, str]
    ) -> AlertChanges:
        before = {key: one for key, one in store.load(tx, now_ms).items() if key.startswith(KEY) == of_works}
        found = rules.step(before, concerns, now_ms, self._rules())
        ids = {one.key: store.save(tx, one) for one in found.changed}
        step = AlertChanges(
            tuple(replace(one, id=ids[one.key]) for one in found.changed),
            tuple(Notice(replace(one.alert, id=ids[one.alert.key]), one.why) for one in found.notices),
        )
        tanks = sorted({one.alert.tank for one in step.notices}, key=lambda tank: tank or "")
        for tank in tanks:
            notices = texts.in_order([one for one in step.notices if one.alert.tank == tank])
            title, text = texts.compose(self._name(tank), self._zone(tank), notices)
            told = [{**self._view(one.alert).model_dump(mode="json"), "why": one.why} for one in notices]
            targets = self._addresses.others.get(instead.get(tank or "", "")) or self._addresses.usual
            self._queue(tx, "alert", tank, now_ms, KEPT_MS, title, text, told, targets)
        return step

    def seen(self, key: int, body: Any) -> AlertAnswer:
        """A person has seen an alert; answers with it as it then is."""
        checked = parse(SeenRequest, body)
        identity = idempotency.request_identity(checked, "seen", key)
        with self._context.write() as tx:
            kept = idempotency.stored_answer(tx, identity, AlertAnswer)
            if kept is not None:
                return kept
            found = store.get(tx, key)
            if found is None:
                raise FieldError("alert", f"there is no alert {key}", 404)
            now_ms = self._context.stamp_ms()
            after = rules.seen(found, now_ms, checked.by, checked.note)
            store.save(tx, after)
            view = self._view(after)
            idempotency.store_answer(tx, identity, view, now_ms)
        self._context.announce("alert", found.tank)
        return view

    def list(self, state: str | None = None) -> list[AlertAnswer]:
        """Alerts, newest first."""
        with self._context.store.read() as tx:
            return [self._view(one) for one in store.newest(tx, state, LISTED)]

    def test_message(self) -> Letter:
        """What is sent to see whether an address can be told; it bypasses the outbox, since a person waits for it."""
        now_ms = self._context.stamp_ms()
        text = "This is a test. Alerts of this installation will come this way; nothing needs to be done."
        return Letter(f"test-{now_ms}", "test", None, f"{NOWHERE}: a test message", text, self._at(now_ms, None))

    def mornings(self, tx: Connection, now_ms: int) -> Sequence[str]:
        """The tanks whose morning message is due now, by the settings; empty where it is not wanted."""
        if not self._settings.morning or not self._addresses.usual:
            return []
        at = self._settings.morning
        tanks = self._context.register.refs("tank")
        return [tank for tank in tanks if self._is_time(tx, f"told/morning/{tank}", tank, at, now_ms)]

    def due_message(
        self, tx: Connection, told: Mapping[str, str], now_ms: int, instead: Mapping[str, str] | None = None
    ) -> None:
        """Queue the morning message of these tanks. With an empty text no message is sent, but today's counts as
        done."""
        for tank, text in told.items():
            self._note_told(tx, f"told/morning/{tank}", tank, now_ms)
            targets = self._addresses.others.get((instead or {}).get(tank, "")) or self._addresses.usual
            if text:
                self._queue(tx, "morning", tank, now_ms, 12 * HOUR_MS, f"{self._name(tank)}: today", text, [], targets)

    # -- parts -------------------------------------------------------------------------------------------------------

    def _sign_of_life(self, tx: Connection, now_ms: int) -> None:
        """Queue the daily sign of life. It is sent from here, so that a missing one shows that alerts are no longer
        recorded."""
        life = self._addresses.life
        if life is None or not self._is_time(tx, "told/life", None, self._settings.sign_of_life_at, now_ms, DAY_MS):
            return
        self._note_told(tx, "told/life", None, now_ms)
        tanks = len(self._context.register.refs("tank"))
        lasting = sum(one.state != "cleared" for one in store.load(tx, now_ms).values())
        text = (
            f"Tareline watches over {tanks} tank{'' if tanks == 1 else 's'}; "
            f"{lasting or 'no'} alert{'' if lasting == 1 else 's'} last{'s' if lasting == 1 else ''}. "
            f"The next word comes at {self._settings.sign_of_life_at} tomorrow: if it does not, look after the service."
        )
        self._queue(tx, "life", None, now_ms, DAY_MS, f"{NOWHERE}: all is running", text, [], [life])

    def _is_time(
        self, tx: Connection, mark: str, tank: str | None, at: str, now_ms: int, late_ms: int = MORNING_MS
    ) -> bool:
        """Whether a daily message is due: its time of day has passed, not too long ago, and today's was not sent
        yet."""
        zone = self._zone(tank)
        today = from_ms(now_ms, zone).date()
        said = get_meta(tx, mark)
        due_ms = meal_ms(today, at, zone)
        return due_ms is not None and due_ms <= now_ms < due_ms + late_ms and said != today.isoformat()

    def _note_told(self, tx: Connection, mark: str, tank: str | None, now_ms: int) -> None:
        put_meta(tx, mark, from_ms(now_ms, self._zone(tank)).date().isoformat())

    def _queue(
        self, tx: Connection, kind: store.MessageKind, tank: str | None, now_ms: int, kept_ms: int, title: str,
        text: str, told: Sequence[dict[str, Any]], targets: Sequence[str],
    ) -> None:  # fmt: skip
        if targets:
            store.queue(tx, kind, tank, now_ms, now_ms + kept_ms, title, text, told, targets)

    def _rules(self) -> Rules:
        tanks = self._context.register.refs("tank")
        return Rules(self._quiet, {tank: self._zone(tank) for tank in tanks}, self._zone(None))

    def _zone(self, tank: str | None) -> str:
        """A tank's time zone; without a tank, that of the first tank."""
        named = tank or next(iter(self._context.register.refs("tank")), None)
        found = None if named is None else self._context.register.now("tank", named)
        return "UTC" if found is None else str(found["timezone"])

    def _name(self, tank: str | None) -> str:
        found = None if tank is None else self._context.register.now("tank", tank)
        return NOWHERE if found is None else str(found["name"])

    def _at(self, at_ms: int, tank: str | None) -> str:
        return rfc3339(at_ms, self._zone(tank))

    def _view(self, one: Alert) -> AlertAnswer:
        """An alert that is stored."""
        assert one.id is not None

        def at(at_ms: int | None) -> str | None:
            return None if at_ms is None else self._at(at_ms, one.tank)

        return AlertAnswer(
            id=one.id,
            kind=one.kind,
            tank=one.tank,
            state=one.state,
            what=one.what,
            text=one.text,
            urgent=one.urgent,
            told=one.told,
            seen_by=one.seen_by,
            note=one.note,
            undelivered=one.undelivered,
            since=self._at(one.since_ms, one.tank),
            opened=self._at(one.opened_ms, one.tank),
            told_at=at(one.told_ms),
            seen_at=at(one.seen_ms),
            cleared_at=at(one.cleared_ms),
        )
