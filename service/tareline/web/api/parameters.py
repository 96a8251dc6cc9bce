"""The parameters that several calls share, each described once."""

from datetime import datetime
from typing import Annotated

from fastapi import Path, Query

from tareline.app import requests
from tareline.app.requests.fields import instant_ms

TankId = Annotated[str, Path(description="The id of a tank")]
FeederId = Annotated[str, Path(description="The id of a feeder")]
DeviceId = Annotated[str, Path(description="The id of a feeder or a probe")]
EntryId = Annotated[int, Path(description="An entry's number in the ledger", ge=1, lt=2**63)]
FirstDay = Annotated[requests.Day | None, Query(description="The first local day of the tank")]
LastDay = Annotated[requests.Day | None, Query(description="The last local day of the tank, included")]
FromMoment = Annotated[requests.Moment | None, Query(description="Nothing before this time")]
ToMoment = Annotated[requests.Moment | None, Query(description="Nothing from this time on")]


def milliseconds(field: str, at: datetime | None) -> int | None:
    """A stated time as UNIX milliseconds. Raises FieldError at the ends of the calendar."""
    return None if at is None else instant_ms(field, at)
