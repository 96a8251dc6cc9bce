"""Updates of devices over the air."""

from typing import Annotated, Literal

from pydantic import Field

from tareline.app.answers.base import Answer, LocalTime


class UpdateAnswer(Answer):
    """Where the update of a device stands."""

    device: str
    takes_updates: Annotated[bool | None, Field(description="null: it has not said so yet")]
    firmware: Annotated[str | None, Field(description="The firmware that it is offered; null: none")]
    offered: Annotated[LocalTime | None, Field(description="When it was offered")]
    state: Literal["none", "offered", "idle", "fetching", "ready", "trial", "done", "failed"]
    detail: Annotated[str | None, Field(description="What the device says of an update that has ended")]
    done_bytes: Annotated[int, Field(description="How much of it the device has fetched")]
    total_bytes: Annotated[int | None, Field(description="Its size; null: not known since the service was started")]
