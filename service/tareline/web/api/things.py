"""Calls about what there is: tanks, foods, source waters, kits, feeders and probes."""

from typing import Annotated, Any

from fastapi import APIRouter, Path

from tareline.app import requests
from tareline.app.answers.things import THINGS, TankAnswer, ThingAnswer
from tareline.service import Service
from tareline.web import problems

OTHERS: tuple[tuple[str, str, Any, Any], ...] = (
    ("food", "a food", requests.FoodRequest, requests.FoodChange),
    ("water", "a source water", requests.WaterRequest, requests.WaterChange),
    ("kit", "a kit", requests.KitRequest, requests.KitChange),
    ("feeder", "a feeder", requests.FeederRequest, requests.FeederChange),
    ("probe", "a probe", requests.ProbeRequest, requests.ProbeChange),
)


def router(service: Service) -> APIRouter:
    """The calls of one service."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["things"])

    @api.get("/tanks", summary="Every tank")
    def tanks() -> list[TankAnswer]:
        """Every tank as it is now, in the order they were told of."""
        return service.tanks.all()

    @api.post("/tanks", status_code=201, summary="Tell of a tank", response_model=TankAnswer)
    def add_tank(body: requests.TankRequest) -> ThingAnswer:
        """A new tank; 409 where its id is taken."""
        return service.add_thing("tank", body)

    @api.put("/tanks/{ref}", status_code=201, summary="Change a tank", response_model=TankAnswer)
    def put_tank(ref: Annotated[str, Path(description="The id of a tank")], body: requests.TankChange) -> ThingAnswer:
        """A tank as it is from `at` on, whole: what is left out becomes its default."""
        return service.things.put("tank", ref, body)

    @api.get("/tanks/{ref}", summary="One tank")
    def tank(ref: Annotated[str, Path(description="The id of a tank")]) -> TankAnswer:
        """A tank as it is now."""
        return TankAnswer.model_validate({"id": ref, **service.context.need("tank", ref)})

    for kind, name, new, changed in OTHERS:
        _thing(api, service, kind, name, new, changed)
    return api


def _thing(api: APIRouter, service: Service, kind: str, called: str, new: Any, changed: Any) -> None:
    """List, add and change one kind of thing."""
    answer: Any = THINGS[kind]
    plain = called.partition(" ")[2]

    @api.get(f"/{kind}s", name=f"{kind}s", summary=f"Every {plain}", response_model=list[answer])
    def things() -> list[ThingAnswer]:
        """Each as it is now, in the order they were told of."""
        register = service.context.register
        return [answer.model_validate({"id": r, **(register.now(kind, r) or {})}) for r in register.refs(kind)]

    @api.post(f"/{kind}s", name=f"add_{kind}", status_code=201, summary=f"Tell of {called}", response_model=answer)
    def add(body: new) -> ThingAnswer:
        """A new one; 409 where its id is taken."""
        return service.add_thing(kind, body)

    @api.put(
        f"/{kind}s/{{ref}}", name=f"put_{kind}", status_code=201, summary=f"Change {called}", response_model=answer
    )
    def put(ref: Annotated[str, Path(description=f"The id of {called}")], body: changed) -> ThingAnswer:
        """As it is from `at` on, whole: what is left out becomes its default."""
        return service.things.put(kind, ref, body)
