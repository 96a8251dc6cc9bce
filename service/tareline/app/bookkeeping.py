"""Brings the accounts of feeders up to the ledger, and what follows: revised days, and the gain of the next plan."""

import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from tareline.app.answers.entries import MadeAnswer
from tareline.app.commands.findings import Findings
from tareline.app.context import Context
from tareline.app.downlink import Downlink
from tareline.app.projections.accounts import Accounts
from tareline.core.units import DAY_MS
from tareline.core.weighing.revision import Revision
from tareline.locks import Order, OrderedLock
from tareline.store import ledger
from tareline.store.devices import Device
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

GAIN_EVERY_MS = DAY_MS  # a feeder takes no larger change than 20 % a day


class Bookkeeping:
    """Keeps the accounts. May be used by any thread.

    known: what is known of a device.
    """

    def __init__(
        self,
        context: Context,
        accounts: Accounts,
        findings: Findings,
        downlink: Downlink,
        known: Callable[[str], Device],
    ) -> None:
        self._context, self._accounts, self._findings = context, accounts, findings
        self._downlink, self._known = downlink, known
        self._updating = OrderedLock(Order.ACCOUNTS)

    def decide(self, finding: str, body: Any) -> MadeAnswer:
        """Accept or dismiss a finding; answers with the entry that made."""
        with self._updating:  # a second decision must see the accounts after the first
            made = self._findings.decide(finding, self._accounts.find(finding), body)
            self.update()
        return made

    def update(self) -> Mapping[str, Exception]:
        """Calculate the accounts of feeders for which the ledger has new entries, and enter what follows from them."""
        failed: dict[str, Exception] = {}
        with self._updating:
            for feeder in self._accounts.behind():
                try:
                    revised = self._accounts.compute(feeder)
                except StoreError:
                    raise
                except Exception as error:  # feeding and holding continue without the estimate
                    log.exception("the account of %s could not be calculated; its doses count as weighed", feeder)
                    failed[feeder] = error
                    continue
                self._enter_account(feeder, revised)
                self._context.announce("account", self._context.tank_of(feeder, self._context.stamp_ms()))
        return failed

    def _enter_account(self, feeder: str, revised: Sequence[Revision]) -> None:
        """Enter what a new account changes: past days, with the entries that changed them, and at most once a day the
        gain of the next plan."""
        now_ms = self._context.stamp_ms()
        in_force = (self._known(feeder).hello or {}).get("gain_g_per_step")
        gain = self._accounts.gain(feeder, in_force) if in_force else None
        with self._context.write() as tx:
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
            self._downlink.tell([feeder])
