"""The description of the HTTP API is whole: every call, parameter, body and answer; and its examples are true."""

from collections.abc import Iterator
from typing import Any

import pytest
from house import House
from pydantic import BaseModel

from tareline.app import requests
from tareline.app.answers.base import Answer
from tareline.web import problems
from tareline.web.app import make_app
from tareline.web.events import Hub


def examples_of(model: type[BaseModel]) -> list[Any] | None:
    """The examples that a model shows of itself; None where it has none."""
    extra = model.model_config.get("json_schema_extra") or {}
    assert isinstance(extra, dict)
    if "examples" not in extra:
        return None
    examples = extra["examples"]
    assert isinstance(examples, list)
    return examples


REQUESTS = [
    model
    for model in vars(requests).values()
    if isinstance(model, type) and issubclass(model, BaseModel) and examples_of(model) is not None
]


def below(model: type[Answer]) -> Iterator[type[Answer]]:
    for one in model.__subclasses__():
        yield one
        yield from below(one)


ANSWERS = sorted(
    {model for model in below(Answer) if examples_of(model) is not None},
    key=lambda model: model.__name__,
)


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    house = House.furnished(tmp_path_factory.mktemp("described"))
    yield make_app(house.service, Hub()).openapi()
    house.close()


def operations(described: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    paths: dict[str, dict[str, Any]] = described["paths"]
    return {(method, path): one for path, methods in paths.items() for method, one in methods.items()}


def resolved(described: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    name = schema.get("$ref", "").rpartition("/")[2]
    found: dict[str, Any] = described["components"]["schemas"][name] if name else schema
    return found


def says_something(described: dict[str, Any], schema: dict[str, Any]) -> bool:
    """Whether a schema names what it allows: its fields, or those of what it lists."""
    found = resolved(described, schema)
    if "anyOf" in found:
        return all(says_something(described, one) for one in found["anyOf"] if one.get("type") != "null")
    if found.get("type") == "array":
        return says_something(described, found["items"])
    return bool(found.get("properties"))


def test_every_call_has_a_summary_and_words(described: dict[str, Any]) -> None:
    found = operations(described)
    assert len(found) >= 60
    made_up = [  # from the name of its function
        key
        for key, one in found.items()
        if one["summary"] == one["summary"].title()
        and one["operationId"].startswith(one["summary"].lower().replace(" ", "_"))
    ]
    assert made_up == []
    assert [key for key, one in found.items() if not one.get("description")] == []


def test_every_parameter_is_described(described: dict[str, Any]) -> None:
    parameters = [(key, one) for key, call in operations(described).items() for one in call.get("parameters", [])]
    assert len(parameters) > 60
    assert [(key, one["name"]) for key, one in parameters if not one.get("description")] == []


def test_every_body_has_a_schema(described: dict[str, Any]) -> None:
    bodies = {key: one["requestBody"] for key, one in operations(described).items() if "requestBody" in one}
    assert len(bodies) >= 30
    for key, body in bodies.items():
        assert says_something(described, body["content"]["application/json"]["schema"]), key


def test_every_answer_has_a_schema_and_every_problem_is_declared(described: dict[str, Any]) -> None:
    for key, call in operations(described).items():
        problem = call["responses"]["default"]["content"][problems.MEDIA_TYPE]["schema"]
        assert {"title", "status", "detail", "errors"} <= set(problem["properties"]), key
        answers = {status: one["content"] for status, one in call["responses"].items() if status != "default"}
        assert answers, key
        for content in answers.values():
            for media_type, one in content.items():
                assert media_type == "text/event-stream" or says_something(described, one["schema"]), key


def test_every_body_shows_an_example(described: dict[str, Any]) -> None:
    for key, call in operations(described).items():
        if "requestBody" in call:
            schema = call["requestBody"]["content"]["application/json"]["schema"]
            parts = [resolved(described, one) for one in (schema, *schema.get("anyOf", ()))]
            assert any(part.get("examples") for part in parts), key


@pytest.mark.parametrize("model", REQUESTS, ids=lambda model: model.__name__)
def test_every_example_is_taken(model: type[BaseModel]) -> None:
    examples = examples_of(model)
    assert examples
    for example in examples:
        model.model_validate(example)


def test_answers_of_several_shapes_show_an_example() -> None:
    assert {"AlertAnswer", "ReadingAnswer", "SeriesAnswer", "TicketAnswer"} <= {model.__name__ for model in ANSWERS}


@pytest.mark.parametrize("model", ANSWERS, ids=lambda model: model.__name__)
def test_an_answers_example_is_such_an_answer_and_stands_in_the_description(
    model: type[Answer], described: dict[str, Any]
) -> None:
    examples = examples_of(model)
    assert examples
    for example in examples:
        assert model.model_validate(example).model_dump(mode="json", by_alias=True) == example
    assert described["components"]["schemas"][model.__name__]["examples"] == examples
