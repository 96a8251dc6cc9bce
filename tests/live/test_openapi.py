"""Whatever the description allows, and what it does not: no call ends in an error of the service, and every answer is
one that the description names. Calls are made up by schemathesis, against the real service."""

from typing import Any

import httpx
import pytest
import schemathesis
from described import every_operation
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from hypothesis.strategies import SearchStrategy
from schemathesis import GenerationMode
from schemathesis.openapi import from_dict
from schemathesis.schemas import APIOperation
from schemathesis.specs.openapi.checks import positive_data_acceptance

from conftest import FULL, Household

EXAMPLES = 300 if FULL else 10


def operations(house: Household) -> list[APIOperation]:
    described = httpx.get(f"{house.url}/openapi.json").json()
    del described["paths"]["/api/v1/events"]  # a stream has no end
    loaded = from_dict(described)
    loaded.config.update(base_url=house.url)
    return every_operation(loaded)


@pytest.mark.timeout(3600 if FULL else 300)
@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=lambda m: m.value)
def test_every_answer_is_one_that_is_described(common: Household, mode: GenerationMode) -> None:
    """At least one example of every call was tried; what fails is told call by call."""
    failures: list[str] = []
    tried: dict[str, int] = {}
    for operation in operations(common):
        try:
            strategy = operation.as_strategy(generation_mode=mode)
            if mode is GenerationMode.POSITIVE and "{tank}" in operation.path:
                strategy = strategy.map(lambda case: _at_home(case, common))
            _try(operation, strategy, tried)
        except Unsatisfiable:
            continue  # nothing of this call can be made wrong
        except BaseExceptionGroup as group:
            failures.append(f"{operation.label}: {[str(one)[:600] for one in group.exceptions]}")
        except AssertionError as error:
            failures.append(f"{operation.label}: {str(error)[:600]}")
    assert not failures, "\n\n".join(failures)
    assert len(tried) >= 25


def _at_home(case: schemathesis.Case, house: Household) -> schemathesis.Case:
    """The same call of a tank and a feeder that exist."""
    for name, ref in (("tank", house.tank), ("feeder", house.feeder)):
        if name in (case.path_parameters or {}):
            case.path_parameters[name] = ref
    return case


def _try(operation: APIOperation, strategy: SearchStrategy[Any], tried: dict[str, int]) -> None:
    @settings(
        max_examples=EXAMPLES,
        derandomize=not FULL,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
        deadline=None,
    )
    @given(case=strategy)
    def check(case: schemathesis.Case) -> None:
        tried[operation.label] = tried.get(operation.label, 0) + 1
        # A description cannot say everything that is checked: that a tank exists, that a zone is one.
        case.call_and_validate(timeout=30, excluded_checks=[positive_data_acceptance])

    check()


def test_the_service_is_sound_after_all_that(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received(1)
    assert "Traceback" not in common.service.log
