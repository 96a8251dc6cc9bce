"""What requests have in common: the kinds of their fields, who sends them and when it happened."""

import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, Self, TypeVar
from zoneinfo import available_timezones

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from tareline.core.calendar import to_ms
from tareline.core.identifiers import identifier
from tareline.core.units import CANONICAL, US_GALLON_L
from tareline.errors import FieldError, first_problem

MOST_LINES = 100
AHEAD_MS = 5 * 60_000
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def _zone(value: str) -> str:
    if value not in available_timezones():
        raise ValueError('expected a name of the IANA time zone database, like "Europe/Berlin"')
    return value


def _analyte(value: str) -> str:
    if value not in CANONICAL:
        raise ValueError(f"expected one of {', '.join(CANONICAL)}")
    return value


def _moment(value: Any) -> Any:
    """A bare number could be seconds, milliseconds or a date without its dashes: refused rather than guessed."""
    if isinstance(value, datetime) or (isinstance(value, str) and _DATE.match(value)):
        return value
    raise ValueError('expected a time like "2025-06-01T08:00:00+02:00"')


def _day(value: Any) -> Any:
    if isinstance(value, date) or (isinstance(value, str) and _DATE.fullmatch(value)):
        return value
    raise ValueError('expected a date like "2025-06-01"')


Moment = Annotated[AwareDatetime, BeforeValidator(_moment)]
Day = Annotated[date, BeforeValidator(_day)]
Identifier = Annotated[str, AfterValidator(identifier)]
Zone = Annotated[str, AfterValidator(_zone)]
Analyte = Annotated[str, AfterValidator(_analyte)]
Words = Annotated[str, Field(min_length=1, max_length=200)]
LongText = Annotated[str, Field(max_length=4000)]
Grams = Annotated[float, Field(ge=0, le=100_000)]
Figure = Annotated[float, Field(ge=0, le=1_000_000)]
Litres = Annotated[float, Field(gt=0, le=1_000_000)]
Resolution = Annotated[float, Field(gt=0, le=1000)]
TdsFactor = Annotated[float, Field(ge=0.3, le=1)]  # salts lie between 0.45 and 0.9 (instrument handbooks)


class Request(BaseModel):
    """What every request may contain: who sends it, and a reference by which a repetition is recognised."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    by: Words | None = None
    client_ref: Words | None = None


class TimedRequest(Request):
    """A request about something that happened at a time; without one, now."""

    at: Moment | None = None

    def at_ms(self, now_ms: int) -> int:
        """When it happened, in UNIX milliseconds. Raises FieldError for more than five minutes ahead of now, or before
        1990."""
        if self.at is None:
            return now_ms
        at_ms = instant_ms("at", self.at)
        if at_ms > now_ms + AHEAD_MS:
            raise FieldError("at", f"expected at most 5 minutes ahead of now; found {self.at.isoformat()}")
        if self.at.year < 1990:
            raise FieldError("at", f"expected a year from 1990 on; found {self.at.isoformat()}")
        return at_ms


class VolumeRequest(TimedRequest):
    """A volume in litres or in US gallons; litres are what is kept."""

    volume_l: Litres | None = None
    volume_us_gal: Annotated[float | None, Field(gt=0, le=264_172, exclude=True)] = None

    @model_validator(mode="after")
    def _in_litres(self) -> Self:
        if self.volume_l is not None and self.volume_us_gal is not None:
            raise ValueError("volume_l: expected either volume_l or volume_us_gal")
        if self.volume_us_gal is not None:
            self.volume_l, self.volume_us_gal = self.volume_us_gal * US_GALLON_L, None
        return self


class MeasuredVolumeRequest(VolumeRequest):
    """A volume that must be given."""

    @model_validator(mode="after")
    def _there(self) -> Self:
        if self.volume_l is None:
            raise ValueError("volume_l: expected, or volume_us_gal, and not there")
        return self


_B = TypeVar("_B", bound=BaseModel)


def parse(model: type[_B], body: BaseModel | Mapping[str, Any]) -> _B:
    """A checked body. Raises FieldError with the first thing that is wrong."""
    if isinstance(body, model):
        return body
    try:
        return model.model_validate(body)
    except ValidationError as error:
        field, message = first_problem(error.errors(include_url=False)[0])
        raise FieldError(field, message) from error


def instant_ms(field: str, at: datetime) -> int:
    """A stated time as UNIX milliseconds. Raises FieldError at the ends of the calendar."""
    try:
        return to_ms(at)
    except OverflowError as error:
        raise FieldError(field, f"expected a time within the calendar; found {at.isoformat()}") from error


def one_of(body: Any, *names: str) -> Any:
    """The one decision of a body, by name or as the one flag that is true. Raises ValueError."""
    said = {*([body.decision] if body.decision else []), *(name for name in names if getattr(body, name))}
    if len(said) != 1:
        *others, last = (f'"{name}"' for name in names)
        raise ValueError(f"decision: expected {', '.join(others)} or {last}")
    return said.pop()
