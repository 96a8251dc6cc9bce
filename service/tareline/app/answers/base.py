"""What every answer is: frozen, and told as JSON in the order of its fields."""

from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    SerializerFunctionWrapHandler,
    model_serializer,
    model_validator,
)

LocalTime = Annotated[
    str,
    Field(
        description="An instant as RFC 3339, to the millisecond, with the offset of the tank's time zone",
        json_schema_extra={"format": "date-time"},
    ),
]
LocalDay = Annotated[
    str, Field(description="A local day of the tank, as ISO 8601", json_schema_extra={"format": "date"})
]


class Answer(BaseModel):
    """What the service answers with, over HTTP and to its own pages."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_by_name=True, validate_by_alias=True)


class AnswerAsGiven(Answer):
    """An answer whose fields depend on what it is about: those that were given, in the order in which they were."""

    model_config = ConfigDict(extra="allow")

    _given: tuple[str, ...] = PrivateAttr(default=())

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """A field of its own kind."""

    @model_validator(mode="wrap")
    @classmethod
    def _note_order(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        made = handler(data)
        if isinstance(data, dict):
            made._given = tuple(data)
        return made

    @model_serializer(mode="wrap")
    def _in_order(self, handler: SerializerFunctionWrapHandler):  # type: ignore[no-untyped-def]  # keeps the schema
        plain = handler(self)
        return {name: plain[name] for name in self._given if name in plain}
