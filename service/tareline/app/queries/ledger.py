"""The ledger as it is shown, and messages that were not understood."""

from collections.abc import Sequence
from typing import Any

from tareline.app import repository
from tareline.app.answers.entries import DoseDetailAnswer, EntryDetailAnswer, LedgerAnswer, RejectAnswer
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.queries.books import dose_view
from tareline.core.calendar import rfc3339
from tareline.core.weighing.estimate import DoseEstimate
from tareline.errors import FieldError
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device
from tareline.store.ledger import Entry

PAGE = 1000


class LedgerQueries:
    """The ledger. Each call is one snapshot of the store.

    root: of the topics on the broker.
    """

    def __init__(self, context: Context, root: str, accounts: Accounts) -> None:
        self._context = context
        self._root = root
        self._accounts = accounts

    def page(
        self, tank: str, start_ms: int | None, end_ms: int | None, kind: str | None, after: int | None
    ) -> list[LedgerAnswer]:
        """Entries as they were written, in order of time, each with what corrected it; at most 1000 at a time."""
        self._context.need("tank", tank)
        zone = self._context.zone(tank)
        with self._context.store.read() as tx:
            cursor = None
            if after is not None:
                last = ledger.get(tx, after)
                if last is None:
                    raise FieldError("after", f"expected an entry's number; there is no entry {after}")
                cursor = (last.at_ms, last.id)
            stays = self._context.register.stays("feeder", tank)
            entries = ledger.page(tx, tank, stays, kind, start_ms, end_ms, cursor, PAGE)
            corrections = ledger.corrections_of(tx, [e.root for e in entries])
        return [LedgerAnswer.of(e, zone, corrected_by=_later(e, corrections.get(e.root, []))) for e in entries]

    def entry(self, entry: int) -> EntryDetailAnswer | DoseDetailAnswer:
        """One entry, with its corrections; a dose also with the message as it came."""
        with self._context.store.read() as tx:
            found = ledger.get(tx, entry)
            if found is None:
                raise FieldError("entry", f"there is no entry {entry}", 404)
            corrections = ledger.corrections_of(tx, [found.root]).get(found.root, [])
            hello = device_store.load(tx).get(found.device or "", Device("")).hello
        tank = found.tank or self._context.tank_of(found.device or "", found.at_ms)
        zone = self._context.zone(tank) if tank is not None else "UTC"
        told: dict[str, Any] = {
            "corrected_by": _later(found, corrections),
            "tank": tank,
            "message": None,
            "topic": None,
            "device": hello,
        }
        if found.kind not in ("dose", "gap"):
            return EntryDetailAnswer.of(found, zone, **told)
        if found.kind == "dose" and found.body.get("outcome") != "unknown":
            told |= {"message": found.raw, "topic": f"{self._root}/{found.device}/up/dose"}
        dose = dose_view(self._context, repository.dose(found), zone, self._estimate(found))
        return DoseDetailAnswer.of(found, zone, **{**told, **dict(dose)})

    def _estimate(self, dose: Entry) -> DoseEstimate | None:
        """What a dose gave by its feeder's account."""
        account = self._accounts.account(dose.device or "")
        parts = [] if account is None else self._accounts.parts(account, dose.at_ms, dose.at_ms + 1)
        return next((found for part in parts for found in part.doses if found.entry == dose.id), None)

    def rejects(self) -> list[RejectAnswer]:
        """The newest messages that were not understood; at most 1000."""
        with self._context.store.read() as tx:
            rows = device_store.rejects(tx, PAGE)
        return [
            RejectAnswer(
                id=row.id,
                first_at=rfc3339(row.first_ms, "UTC"),
                last_at=rfc3339(row.last_ms, "UTC"),
                count=row.count,
                device=row.device,
                topic=row.topic,
                reason=row.reason,
                payload=row.payload[:2000].decode("utf-8", "backslashreplace"),
                size=row.size,
            )
            for row in rows
        ]


def _later(entry: Entry, corrections: Sequence[Entry]) -> list[int]:
    """Which of the corrections of an entry's root came after it."""
    return [c.id for c in corrections if c.id > entry.id]
