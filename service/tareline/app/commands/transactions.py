"""The transaction in which something is entered, together with what follows from it."""

from collections.abc import Callable, Sequence
from typing import TypeVar

from pydantic import ValidationError
from sqlalchemy import insert, select

from tareline.app import dispatch
from tareline.app.answers.base import Answer
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.app.snapshot import Snapshots
from tareline.errors import FieldError
from tareline.store.devices import Issued
from tareline.store.tables import answered

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
        reference: str | None = None,
        feeder: str | None = None,
    ) -> A:
        """One transaction: the entry, what feeders must be told, and the answer kept for the same client reference.

        answers: the kind of answer that `make` gives. tank: whose feeders are looked after; None: every feeder. feeder:
        one more, whatever tank it is on now. Raises FieldError (409) where the reference belongs to another kind of
        call.
        """
        context = self._context
        with context.in_order:
            answer, sent = self._commit(make, answers, tank, reference, feeder)
            self._send(sent)
        context.announce(what, tank)
        return answer

    def consider(self, make: Callable[[Snapshots], bool], what: str, tank: str) -> bool:
        """One transaction in which it turns out whether anything is entered, as `make` tells; if so, what feeders of
        the tank must be told follows as from every entry."""
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
        reference: str | None,
        feeder: str | None,
    ) -> tuple[A, list[Issued]]:
        context = self._context
        with context.write() as tx:
            if reference is not None:
                kept = tx.execute(select(answered.c.body).where(answered.c.client_ref == reference)).scalar()
                if kept is not None:
                    return _kept(kept, answers), []
            snapshots = Snapshots(tx, context, self._samples)
            answer = make(snapshots)
            feeders = context.register.refs("feeder")
            if tank is not None:
                feeders = context.register.devices_of("feeder", tank)
            sent = dispatch.tell(snapshots, feeders if feeder is None else dict.fromkeys((*feeders, feeder)))
            if reference is not None:
                body = answer.model_dump_json(by_alias=True)
                tx.execute(insert(answered).values(client_ref=reference, recorded_ms=context.stamp_ms(), body=body))
        return answer, sent


def _kept(body: str, answers: type[A]) -> A:
    """An answer that was kept. Raises FieldError (409) where it was given to another kind of call."""
    try:
        return answers.model_validate_json(body)
    except ValidationError as error:
        raise FieldError(
            "client_ref", "expected a new one: this one was sent with another kind of entry", 409
        ) from error
