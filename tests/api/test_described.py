"""The OpenAPI document tells all: every property and parameter, an example of every answer and every error."""

from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator

from taperwise.api.app import create_app
from taperwise.api.core.problems import MEDIA_TYPE
from taperwise.api.core.settings import Settings
from taperwise.shared import errors

_CLAUSES = ("Return", "Give ", "See ", "What ", "Who ", "Whoever ", "Where ", "How ", "It ", "The same ")


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Of a service in which people have keys."""
    settings = Settings(data_folder=tmp_path_factory.mktemp("described"), database_url="", access="keys")
    service = create_app(settings)
    service.state.database.close()
    found: dict[str, Any] = service.openapi()
    return found


def _operations(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield f"{method} {path}", operation


def _described(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Every property of every schema and every parameter, by name."""
    schemas = document["components"]["schemas"]
    found = {f"{n}.{p}": part for n, schema in schemas.items() for p, part in schema.get("properties", {}).items()}
    for name, operation in _operations(document):
        found |= {f"{name} {part['name']}": part for part in operation.get("parameters", [])}
    return found


def _may_be_null(part: dict[str, Any]) -> bool:
    return any(option.get("type") == "null" for option in part.get("schema", part).get("anyOf", []))


def test_every_property_and_parameter_is_described(document: dict[str, Any]) -> None:
    """By a noun phrase of at most 25 words."""
    described = _described(document)
    assert len(described) > 500
    assert [name for name, part in described.items() if not part.get("description")] == []
    texts = {name: part["description"] for name, part in described.items()}
    assert {n: t for n, t in texts.items() if t.startswith(_CLAUSES) or len(t.split(".")[0].split()) > 25} == {}


def test_no_summary_stands_twice(document: dict[str, Any]) -> None:
    """Each operation has words of its own."""
    told = [operation["summary"] for _, operation in _operations(document)]
    assert sorted(told) == sorted(set(told))


def _inline_choices(part: Any) -> Iterator[Any]:
    if isinstance(part, dict):
        yield from ([part["enum"]] if "enum" in part else [])
        part = list(part.values())
    if isinstance(part, list):
        for each in part:
            yield from _inline_choices(each)


def test_every_list_of_choices_has_a_name(document: dict[str, Any]) -> None:
    """In a component of its own: a generator calls what has no name after its field, and counts the fields."""
    components = document["components"]["schemas"]
    properties = {name: schema.get("properties", {}) for name, schema in components.items()}
    assert {name: list(_inline_choices(each)) for name, each in properties.items() if any(_inline_choices(each))} == {}
    assert components["TemperatureUnit"]["enum"] == ["degC", "degF", "kelvin"]
    assert components["Temperature"]["properties"]["unit"]["$ref"] == "#/components/schemas/TemperatureUnit"


def test_every_null_is_explained(document: dict[str, Any]) -> None:
    """What may be null says what null means."""
    nullable = {name: part["description"] for name, part in _described(document).items() if _may_be_null(part)}
    assert len(nullable) > 80
    assert {name: text for name, text in nullable.items() if "Null:" not in text} == {}


def test_every_number_has_its_unit(document: dict[str, Any]) -> None:
    """In brackets or beside it; a count, a number of something and what a quantity or an interval holds have none."""
    without = ("Number", "Version", "Seed", "Count", "Estimated", "Engines", "Changes", "Order", "Natural")
    numbers = {
        name: part["description"]
        for name, part in _described(document).items()
        if "number" in {part.get("type"), *(option.get("type") for option in part.get("anyOf", []))}
    }
    assert len(numbers) > 60
    lacking = {
        name: text
        for name, text in numbers.items()
        if "[" not in text and "unit" not in text.lower() and not text.startswith(without)
        if not name.startswith(("IntervalOut.", "Finding"))
    }
    assert lacking == {}


def test_turns_have_a_sign(document: dict[str, Any]) -> None:
    """A turn that may go either way says which is positive."""
    turns = {
        name: part["description"]
        for name, part in _described(document).items()
        if name.endswith((".turns", "turns_from_mark", "position_turns", "idle_stop_turns", " turns"))
    }
    assert len(turns) >= 8
    assert {name: text for name, text in turns.items() if "positive" not in text} == {}


def test_every_success_has_an_example_of_its_form(document: dict[str, Any]) -> None:
    """As the service answered once; what is JSON fits its schema."""
    without, seen = [], 0
    for name, operation in _operations(document):
        for status, response in operation["responses"].items():
            for media_type, content in response.get("content", {}).items() if status < "300" else ():
                if "example" not in content:
                    without.append(f"{name} {status}")
                elif media_type == "application/json":
                    _check(document, content, f"{name} {status}")
                    seen += 1
    assert without == []
    assert seen > 40


def _check(document: dict[str, Any], content: dict[str, Any], name: str) -> None:
    schema = {**content["schema"], "components": document["components"]}
    found = [
        f"{name}: {error.instance_path}: {error.message}"
        for error in Draft202012Validator(schema).iter_errors(content["example"])
    ]
    assert found == []


def test_every_error_has_an_example(document: dict[str, Any]) -> None:
    """Every type of the tree, and every status that a route names."""
    examples = document["components"]["examples"]
    types = {name for name in errors.__all__ if name != "TaperwiseError"}
    assert types <= set(examples)
    for name, operation in _operations(document):
        for status, response in operation["responses"].items():
            content = response.get("content", {}).get(MEDIA_TYPE)
            if content is not None:
                assert content["examples"], f"{name} {status}"
                for example in content["examples"].values():
                    shown = examples[example["$ref"].rpartition("/")[2]]["value"]
                    assert shown["status"] == int(status)
                    schema = {**document["components"]["schemas"]["Problem"], "components": document["components"]}
                    assert list(Draft202012Validator(schema).iter_errors(shown)) == []
                    assert shown["errors"][0]["cure"]
