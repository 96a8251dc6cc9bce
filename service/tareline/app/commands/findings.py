"""Deciding about findings: what a person accepts is entered as if that person had entered it."""

import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel
from sqlalchemy import Connection

from tareline.app import requests
from tareline.app.answers.entries import MadeAnswer
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.idempotency import request_identity
from tareline.app.requests import parse
from tareline.app.snapshot import Snapshots
from tareline.core.weighing.causes import CorrectingEntry
from tareline.core.weighing.gross_errors import Finding
from tareline.errors import FieldError
from tareline.store import ledger

Body = Mapping[str, Any]


class Findings:
    """Enters what people decide about findings."""

    def __init__(self, context: Context, transactions: Transactions) -> None:
        self._context, self._transactions = context, transactions

    def decide(self, name: str, found: tuple[str, Finding] | None, body: Body | BaseModel) -> MadeAnswer:
        """What a person decides of a finding: accept it, which makes the entry that mends the books, or dismiss it.

        found: its feeder and the finding; None where there is none (any more): 404.
        """
        checked = parse(requests.DecisionRequest, body)
        tank = self._context.tank_of(found[0], found[1].to_ms) if found is not None else None

        def make(snapshots: Snapshots) -> MadeAnswer:
            if found is None:
                raise FieldError("finding", "this finding is no longer there; the books have changed since", 404)
            feeder, finding = found
            mend = finding.mend
            now_ms = self._context.stamp_ms()
            made: int | None = None
            if checked.decision == "accept":
                if mend is None:
                    raise FieldError("decision", "no entry would mend this; dismiss it, or enter what happened", 409)
                made = self._mend(snapshots.tx, feeder, mend, checked, now_ms)
            body: dict[str, Any] = {"finding": name, "key": list(finding.key), "decision": checked.decision}
            likely = finding.causes[0].name if finding.causes else finding.kind
            body |= {"made": made, "likely": likely, "mass_g": finding.size_g, "sd_g": finding.sd_g}
            body["note"] = checked.note
            noted = ledger.add(snapshots.tx, "finding", finding.to_ms, now_ms, body, device=feeder, by=checked.by)
            shown = made if made is not None else noted
            entry = ledger.get(snapshots.tx, shown)
            assert entry is not None
            zone = "UTC" if tank is None else self._context.zone(tank)
            return MadeAnswer.of(entry, zone, decision=checked.decision, finding=name)

        return self._transactions.enter(
            make,
            MadeAnswer,
            "finding",
            tank,
            request_identity(checked, "finding", name),
            None if found is None else found[0],
        )

    def _mend(
        self, tx: Connection, feeder: str, mend: CorrectingEntry, checked: requests.DecisionRequest, now_ms: int
    ) -> int:
        """The one entry that mends the books, as a person would have made it; its id."""
        note = {"note": checked.note, "by_finding": True}
        if mend.corrects is not None:
            old = ledger.get(tx, mend.corrects)
            assert old is not None
            if mend.kind == "void":
                return ledger.correct(tx, old, now_ms, void=True, by=checked.by)
            assert mend.mass_g is not None
            fields = {k: v for k, v in old.body.items() if k not in ("before_g", "after_g", "gross_g", "tare_g")}
            fields["added_g" if old.kind == "refill" else "mass_g"] = round(mend.mass_g, 6)
            if mend.sd_g is not None:
                fields["sd_g"] = round(mend.sd_g, 6)
            return ledger.correct(tx, old, now_ms, body=json.dumps({**fields, **note}), by=checked.by)
        at_ms = min(mend.at_ms, now_ms)
        fields = {"hung": True} if mend.kind == "handling" else {"sd_g": round(mend.sd_g or 0.0, 6) or None}
        if mend.kind != "handling":
            fields["added_g" if mend.kind == "refill" else "mass_g"] = round(mend.mass_g or 0.0, 6)
        kind = {"handling": "hopper"}.get(mend.kind, mend.kind)
        return ledger.add(tx, kind, at_ms, now_ms, {**fields, **note}, device=feeder, by=checked.by)
