"""The transaction in which something is entered, together with what follows from it."""

from collections.abc import Callable, Sequence
from typing import TypeVar

from tareline.app import dispatch, idempotency
from tareline.app.answers.base import Answer
from tareline.app.context import Context
from tareline.app.idempotency import RequestIdentity
from tareline.app.projections.samples import Samples
from tareline.app.snapshot import Snapshots
from tareline.store.devices import Issued

A = TypeVar("A", bound=Answer)


class Transactions:
    """Makes what is entered, and what feeders must be told because of it, one transaction.

    send: called with the messages for feeders after each commit.
    """

    def __init__(self, context: Context, send: Callable[[Sequence[Issued]], None], samples: Samples) -> None:
        self._context, self._send, self._samples = context, send, samples

    def enter(
        self,
        make: Callable[[Snapshots], A],
        answers: type[A],
        what: str,
        tank: str | None,
        identity: RequestIdentity,
        feeder: str | None = None,
    ) -> A:
        """One transaction: the entry, what feeders must be told, and the answer kept for the same client reference.

        answers: the kind of answer that `make` gives. tank: whose feeders are told; None: every feeder. feeder: one
        more, whatever tank it is on now. Raises FieldError (409) where its client reference was sent with something
        else.
        """
        context = self._context
        with context.in_order:
            answer, sent = self._commit(make, answers, tank, identity, feeder)
            self._send(sent)
        context.announce(what, tank)
        return answer

    def consider(self, make: Callable[[Snapshots], bool], what: str, tank: str) -> bool:
        """One transaction that may enter something; `make` returns whether it did. If so, the feeders of the tank are
        told what follows, as after every entry."""
        context = self._context
        with context.in_order:
            with context.write() as tx:
                snapshots = Snapshots(tx, context, self._samples)
                if not make(snapshots):
                    return False
                sent = dispatch.tell(snapshots, context.register.devices_of("feeder", tank))
            self._send(sent)
        context.announce(what, tank)
        return True

    def _commit(
        self,
        make: Callable[[Snapshots], A],
        answers: type[A],
        tank: str | None,
        identity: RequestIdentity,
        feeder: str | None,
    ) -> tuple[A, list[Issued]]:
        context = self._context
        with context.write() as tx:
            kept = idempotency.stored_answer(tx, identity, answers)
            if kept is not None:
                return kept, []
            snapshots = Snapshots(tx, context, self._samples)
            answer = make(snapshots)
            feeders = context.register.refs("feeder")
            if tank is not None:
                feeders = context.register.devices_of("feeder", tank)
            sent = dispatch.tell(snapshots, feeders if feeder is None else dict.fromkeys((*feeders, feeder)))
            idempotency.store_answer(tx, identity, answer, context.stamp_ms())
        return answer, sent
