"""Alerts, and the addresses that are told of them."""

from typing import Annotated

from pydantic import ConfigDict, Field

from tareline.app.answers.base import Answer, LocalTime
from tareline.core.alerts.alert import Kind, State


class AlertAnswer(Answer):
    """An alert as it stands."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": 31,
                    "kind": "rising",
                    "tank": "atlas",
                    "state": "cleared",
                    "what": "nitrate is rising",
                    "text": "Nitrate is rising and may reach 40 mg/L from 20 March on. Change water, or feed less.",
                    "urgent": False,
                    "told": 1,
                    "seen_by": "Ada",
                    "note": "A third of the water is changed.",
                    "undelivered": "the address 'desk' did not take it: no route to host",
                    "since": "2026-03-01T22:00:00.000+01:00",
                    "opened": "2026-03-01T22:00:00.000+01:00",
                    "told_at": "2026-03-01T22:00:02.000+01:00",
                    "seen_at": "2026-03-02T08:10:00.000+01:00",
                    "cleared_at": "2026-03-04T22:00:00.000+01:00",
                }
            ]
        }
    )

    id: int
    kind: Kind
    tank: Annotated[str | None, Field(description="The id of its tank; null: of none")]
    state: State
    what: Annotated[str, Field(description="What it is about, in a few words")]
    text: Annotated[str, Field(description="What is so, and what to do")]
    urgent: bool
    told: Annotated[int, Field(description="How often it was told")]
    seen_by: str | None
    note: Annotated[str | None, Field(description="What the person who saw it wrote")]
    undelivered: Annotated[str | None, Field(description="Which address was not told of it, and why")]
    since: Annotated[LocalTime, Field(description="Since when it is so")]
    opened: Annotated[LocalTime, Field(description="When the alert was opened")]
    told_at: Annotated[LocalTime | None, Field(description="When it was told last")]
    seen_at: LocalTime | None
    cleared_at: LocalTime | None


class TestedAddress(Answer):
    """What became of a test message to one address."""

    target: Annotated[str, Field(description="The address without what is secret in it")]
    ok: Annotated[bool, Field(description="Whether it took the message")]
    detail: Annotated[str | None, Field(description="Why it did not")]


class AddressState(Answer):
    """An address, and how the newest message to it fared."""

    target: Annotated[str, Field(description="The address without what is secret in it")]
    tried_at: Annotated[LocalTime | None, Field(description="null: nothing had to be told yet")]
    ok: bool | None
    why: Annotated[str | None, Field(description="Why it was not told")]
