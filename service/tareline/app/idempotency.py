"""A request sent twice is answered as it was the first time and changes nothing more.

The sender names a request by its `client_ref`. A digest of the request is stored beside the answer. The same reference
with another call or other content is a mistake of the sender and is refused, since the second content would be lost
otherwise.
"""

import hashlib
import json
from dataclasses import dataclass
from typing import TypeVar

from pydantic import BaseModel, ValidationError
from sqlalchemy import Connection, insert, select

from tareline.app.requests.fields import Request
from tareline.errors import FieldError
from tareline.store.tables import answered

A = TypeVar("A", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class RequestIdentity:
    """A request that can be recognised when it comes again. reference: None where its sender gave none; digest: of its
    call and content."""

    reference: str | None
    digest: str


def request_identity(request: Request, call: str, of: str | int | None = None) -> RequestIdentity:
    """The identity of a request. call: what it asks for; of: of which tank, feeder, thing, entry or alert."""
    content = json.dumps(request.model_dump(exclude={"client_ref"}), default=str, sort_keys=True)
    return RequestIdentity(request.client_ref, hashlib.sha256(f"{call}\n{of}\n{content}".encode()).hexdigest())


def stored_answer(tx: Connection, identity: RequestIdentity, answers: type[A]) -> A | None:
    """The stored answer to a request that came before; None where the request is new.

    Raises FieldError (409) where its reference was sent with something else.
    """
    if identity.reference is None:
        return None
    row = tx.execute(select(answered.c.body, answered.c.digest).where(answered.c.client_ref == identity.reference))
    found = row.first()
    if found is None:
        return None
    body, digest = found
    if digest in (None, identity.digest):  # None: stored before digests were
        try:
            return answers.model_validate_json(body)
        except ValidationError:
            pass  # to another kind of call, before digests were stored
    raise FieldError("client_ref", "expected a new one: this one was sent with another call or other content", 409)


def store_answer(tx: Connection, identity: RequestIdentity, answer: BaseModel, now_ms: int) -> None:
    """Store the first answer to a request, where the request can be recognised."""
    if identity.reference is not None:
        row = {"client_ref": identity.reference, "recorded_ms": now_ms, "digest": identity.digest}
        tx.execute(insert(answered).values(**row, body=answer.model_dump_json(by_alias=True)))
