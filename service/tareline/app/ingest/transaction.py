"""One transaction of taking, and how a payload is read."""

from dataclasses import dataclass, field
from typing import TypeVar

from pydantic import BaseModel, ValidationError
from sqlalchemy import Connection

from tareline.app.context import Context
from tareline.app.ingest.result import IngestResult
from tareline.app.ingest.state import DeviceStates
from tareline.app.projections.samples import Samples
from tareline.mqtt import messages as wire
from tareline.store.devices import Device

M = TypeVar("M", bound=BaseModel)


class NotUnderstoodError(Exception):
    """A message that cannot be taken; its text is the reason that is stored with it."""


@dataclass(frozen=True, slots=True)
class IngestTransaction:
    """What every handler of a message is given: where it writes, what is in memory, and what the batch brought so far.

    stamp_ms: when its entries are recorded.
    """

    tx: Connection
    stamp_ms: int
    context: Context
    states: DeviceStates
    samples: Samples
    result: IngestResult = field(default_factory=IngestResult)

    def remember(self, known: Device) -> None:
        """Put what is known of a device in memory; it is saved with the batch."""
        self.states.devices[known.device] = known
        self.result.devices.add(known.device)


def read(model: type[M], payload: bytes) -> M:
    """A payload by its model. Raises NotUnderstoodError, naming the field."""
    try:
        return model.model_validate_json(payload)
    except ValidationError as error:
        raise NotUnderstoodError(wire.explain(error)) from error
