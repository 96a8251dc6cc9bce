"""Calls that enter what people did and saw."""

from typing import Annotated, Any

from fastapi import APIRouter, Path

from tareline.app import requests
from tareline.app.answers.entries import MadeAnswer
from tareline.app.entry_kinds import ENTRY_KINDS, EntryKind
from tareline.service import Service
from tareline.web import problems
from tareline.web.api.parameters import EntryId


def router(service: Service) -> APIRouter:
    """The calls of one service."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["entries"])
    for kind in ENTRY_KINDS.values():
        _kind(api, service, kind)

    @api.post("/findings/{finding}/decision", status_code=201, summary="Decide about a finding")
    def decide(
        finding: Annotated[str, Path(description="The id of a finding, as a week or a report tells it")],
        body: requests.DecisionRequest,
    ) -> MadeAnswer:
        """Accept a finding, which makes the entry that mends the books, or dismiss it."""
        return service.bookkeeping.decide(finding, body)

    @api.post("/ledger/{entry}/corrections", status_code=201, summary="Correct an entry")
    def correct(entry: EntryId, body: requests.CorrectionRequest) -> MadeAnswer:
        """One more entry that stands for an earlier one: with the fields that are given here, or void."""
        return service.entries.correct(entry, body)

    return api


def _kind(api: APIRouter, service: Service, kind: EntryKind) -> None:
    """The call that makes entries of one kind."""
    model: Any = kind.model
    path = f"/{kind.owner}s/{{{kind.owner}}}/{kind.path}"
    name = f"add_{kind.name.replace('-', '_')}"

    def add(
        ref: Annotated[str, Path(alias=kind.owner, description=f"The id of a {kind.owner}")], body: model
    ) -> MadeAnswer:
        return service.entries.add(kind.name, ref, body)

    api.add_api_route(
        path, add, methods=["POST"], name=name, status_code=201, summary=kind.summary, description=kind.about
    )
