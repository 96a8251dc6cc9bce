"""What becomes due as time passes: midnights, a clock that is right again, silent devices, missing doses, late
holds."""

import logging
from collections.abc import Callable

from tareline.app import dispatch
from tareline.app.confirmations import Confirmations
from tareline.app.context import Context
from tareline.app.downlink import Downlink
from tareline.app.ingest.ingest import Ingest
from tareline.app.ingest.result import IngestResult
from tareline.app.ingest.state import DeviceStates
from tareline.app.resends import Resends
from tareline.app.silence import Silence

log = logging.getLogger(__name__)

AGAIN_S = 60.0  # until a feeder that could not be told is tried again; the longest pause of works


class Periodic:
    """Does what is due. `tick` is called by the link's thread, about once a second; `expect` by any.

    settle_loss: sends what follows from doses that were given up.
    """

    def __init__(
        self,
        context: Context,
        states: DeviceStates,
        ingest: Ingest,
        downlink: Downlink,
        resends: Resends,
        settle_loss: Callable[[IngestResult], None],
    ) -> None:
        self._context, self._ingest, self._downlink = context, ingest, downlink
        self._resends, self._settle_loss = resends, settle_loss
        self._silence = Silence(context, states)
        self._confirmations = Confirmations(context, states.known)
        self._made_known: set[str] = set()
        self._midnight_ms = 0
        self._again_s = 0.0
        self._zones_of = context.register
        self._behind = False

    def expect(self, device: str) -> None:
        """A device is new in the register: what it said before was rejected, and is taken when it comes again."""
        self._made_known.add(device)

    def tick(self) -> None:
        """Do what is due now."""
        behind = bool(self._context.behind_ms())
        if behind and not self._behind:
            log.error("the clock is behind the newest entry: holds are sent, but no plan and no time until it is right")
        now_ms = self._context.clock.now_ms()
        if self._zones_of is not self._context.register:
            self._zones_of = self._context.register
            self._midnight_ms = 0  # a tank is new, or its zone has changed: a midnight may have passed already
        if not behind and now_ms >= self._midnight_ms:
            self._midnight_ms = dispatch.next_midnight_ms(self._context, now_ms)
            self._downlink.tell(self._context.register.refs("feeder"))
            self._context.announce("day", None)
        if self._behind and not behind:
            self._downlink.greet()
        self._behind = behind
        while self._made_known:
            self._ingest.expect_rejected(self._made_known.pop())
        self._tell_again()
        self._silence.note()
        for lost in self._resends.ask():
            self._settle_loss(lost)
        self._confirmations.watch()

    def _tell_again(self) -> None:
        """Try again for feeders whose plan or hold could not be calculated."""
        now_s = self._context.clock.monotonic_s()
        dispatch_faults = self._context.dispatch_faults.faults()
        if dispatch_faults and now_s - self._again_s >= AGAIN_S:
            self._again_s = now_s
            self._downlink.tell(sorted(dispatch_faults))
