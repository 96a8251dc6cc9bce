"""Whether the service works."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from tareline.app.answers.base import Answer


class BrokerHealth(Answer):
    """The connection to the broker."""

    connected: bool
    url: Annotated[str, Field(description="Its address, without user and password")]


class StoreHealth(Answer):
    """The store. Unless it is broken, its engine, version and settings of durability stand beside."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, str]

    broken: Annotated[bool, Field(description="Whether a write has failed, so that nothing more is written")]


class ClockHealth(Answer):
    """The clock of this machine."""

    behind_s: Annotated[float, Field(description="How far it stands before the newest time that was written")]


class DispatchFaultAnswer(Answer):
    """A feeder that cannot be told what holds now."""

    for_s: Annotated[float, Field(description="For how long")]
    error: str


class WorkHealth(Answer):
    """A work that is done again and again."""

    done_s_ago: Annotated[float | None, Field(description="null: not done yet")]
    failing_for_s: Annotated[float | None, Field(description="null: it works")]
    error: Annotated[str | None, Field(description="Why it fails now")]
    last_error: str | None
    last_error_s_ago: float | None
    lag_s: Annotated[float, Field(description="How long the oldest change has waited for it; 0 where none waits")]


class HealthAnswer(Answer):
    """Liveness, with the state of broker, store and clock, of the works that are done again and again, and with the
    feeders that cannot be told what holds now."""

    status: Annotated[
        Literal["ok", "failing", "broken"],
        Field(
            description="broken: the store is; failing: a work has failed for over a minute, or a feeder cannot be told"
        ),
    ]
    version: str
    broker: BrokerHealth
    store: StoreHealth
    clock: ClockHealth
    dispatch_faults: Annotated[dict[str, DispatchFaultAnswer], Field(description="By feeder")]
    workers: Annotated[dict[str, WorkHealth], Field(description="By the name of the work")]
