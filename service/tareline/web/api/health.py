"""Whether the service works, for those who watch over it."""

from fastapi import APIRouter, Response

from tareline import __version__
from tareline.app.answers.health import (
    BrokerHealth,
    ClockHealth,
    DispatchFaultAnswer,
    HealthAnswer,
    StoreHealth,
    WorkHealth,
)
from tareline.service import Service
from tareline.web import problems

FAILING_S = 60.0  # what fails once is tried again within seconds


def router(service: Service) -> APIRouter:
    """The call that tells how the service is."""
    api = APIRouter(responses=problems.RESPONSES, tags=["looking"])

    @api.get("/healthz", summary="Whether the service works",
             responses={503: {"model": HealthAnswer, "description": "The same; the store is broken"}})  # fmt: skip
    def healthz(response: Response) -> HealthAnswer:
        """Answers without a token; with status 503 where the store is broken."""
        if service.context.store.broken:
            response.status_code = 503
        return health(service)

    return api


def health(service: Service) -> HealthAnswer:
    """How the service is, now."""
    context, now_ms = service.context, service.clock.now_ms()
    broken = bool(context.store.broken)
    states = service.supervisor.states()
    faults = context.dispatch_faults.faults()
    failing = any((state.failing_s or 0.0) > FAILING_S for state in states.values())
    return HealthAnswer(
        status="broken" if broken else "failing" if failing or faults else "ok",
        version=__version__,
        broker=BrokerHealth(connected=service.link.connected.is_set(), url=_bare(service.settings.broker.url)),
        store=StoreHealth.model_validate({"broken": broken, **({} if broken else context.store.describe())}),
        clock=ClockHealth(behind_s=context.behind_ms() / 1000),
        dispatch_faults={
            name: DispatchFaultAnswer(for_s=context.waiting_ms(fault.since_ms) / 1000, error=fault.error)
            for name, fault in faults.items()
        },
        workers={
            name: WorkHealth(
                done_s_ago=_seconds_since(state.done_ms, now_ms),
                failing_for_s=state.failing_s,
                error=None if state.failing_s is None else state.error,
                last_error=state.error,
                last_error_s_ago=_seconds_since(state.failed_ms, now_ms),
                lag_s=state.lag_s,
            )
            for name, state in states.items()
        },
    )


def _seconds_since(at_ms: int | None, now_ms: int) -> float | None:
    return None if at_ms is None else (now_ms - at_ms) / 1000


def _bare(url: str) -> str:
    """An address without user and password."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"
