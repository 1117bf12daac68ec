"""The service as its schema describes it, asked by four people at once; a stranger learns nothing of others."""

import json
import random
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import positive_data_acceptance

from taperwise.api.accounts.service import add, give_key
from taperwise.api.app import create_app
from taperwise.api.core.roles import Role, Scope
from taperwise.api.core.settings import Settings
from taperwise.api.ownership.adviser_access import give
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn

_THEIRS, _NOBODYS = "1", "424242"
_PATIENT = 120.0  # seconds: the first that asks for draws waits until their library is loaded


class Peopled(NamedTuple):
    """A service with one installation: its owner, its adviser, a reader's key of the owner, and a stranger."""

    schema: Any
    keys: dict[str, dict[str, str]]
    app: Any


@pytest.fixture
def peopled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Peopled]:
    """New for each test: an operation may erase whoever asks."""
    folder = tmp_path_factory.mktemp("people")
    app = create_app(Settings(data_folder=folder, database_url="", access="keys", requests_a_minute=1_000_000), StandIn)
    app.state.desk.prepare()
    with app.state.database.unit() as session:
        people = {name: add(session, name, list(Role)).id for name in ("owner", "adviser", "stranger")}
        held = [*people.items(), ("reader", people["owner"])]
        keys = {
            name: give_key(session, number, name, Scope.READING if name == "reader" else Scope.EVERYTHING)[1]
            for name, number in held
        }
    headers = {name: {"Authorization": f"Bearer {key}"} for name, key in keys.items()}
    needle = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
    with Client(app) as client:
        made = client.post("/api/v1/installations", json={"needles": [needle]}, headers=headers["owner"])
        assert made.headers["Location"].endswith(f"/{_THEIRS}")
        assert client.post(f"{made.headers['Location']}/runs", json=RUN, headers=headers["owner"]).status_code == 201
        with app.state.database.unit() as session:
            give(session, int(_THEIRS), people["adviser"])
        yield Peopled(schemathesis.openapi.from_asgi("/openapi.json", app), headers, app)


def _compare(peopled: Peopled, operation: Any, examples: int) -> None:
    """What a stranger is answered of somebody's installation is what anybody is answered of one that never was."""

    @given(case=operation.as_strategy())
    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    def asked(case: schemathesis.Case) -> None:
        answers = []
        for number in (_THEIRS, _NOBODYS):
            case.path_parameters = {**case.path_parameters, "installation_id": number}
            answer = case.call(headers=peopled.keys["stranger"], timeout=_PATIENT)
            kept = {name: value for name, value in answer.headers.items() if name.lower() in ("content-type", "allow")}
            # both, in each: what was sent is told again, and may be a number
            text = answer.text.replace(_NOBODYS, "N").replace(_THEIRS, "N") if answer.status_code != 429 else ""
            answers.append((answer.status_code, kept, text))
        assert answers[0] == answers[1]
        assert answers[0][0] >= 400

    asked()


def _strangers(peopled: Peopled, examples: int) -> None:
    operations = [found.ok() for found in peopled.schema.get_all_operations()]
    theirs = [operation for operation in operations if "{installation_id}" in operation.path]
    assert len(theirs) >= 15
    for operation in theirs:
        _compare(peopled, operation, examples)


@pytest.mark.slow
def test_a_stranger_finds_what_never_was(peopled: Peopled) -> None:
    """Every operation on an installation, a few examples each."""
    _strangers(peopled, 3)


@pytest.mark.thorough(daily=False)
def test_a_stranger_finds_what_never_was_whatever_is_sent(peopled: Peopled) -> None:
    """The same with many examples."""
    _strangers(peopled, 300)


def _at_once(peopled: Peopled, operation: Any, examples: int) -> None:
    """Four people send the same thing at once; each is answered as the schema says, whoever comes first."""

    @given(case=operation.as_strategy())
    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    def asked(case: schemathesis.Case) -> None:
        names = list(peopled.keys)
        random.Random(case.path).shuffle(names)  # noqa: S311 - an order, no secret
        with ThreadPoolExecutor(len(names)) as pool:
            sent = [pool.submit(case.call, headers=peopled.keys[name], timeout=_PATIENT) for name in names]
        for each in sent:
            answer = each.result()
            assert answer.status_code < 500 or answer.status_code in (503, 507), answer.text
            # that a server error is one of these two has just been checked
            case.validate_response(answer, excluded_checks=[positive_data_acceptance, not_a_server_error])

    asked()


@pytest.mark.slow
def test_four_people_at_once_are_answered_as_described(peopled: Peopled) -> None:
    """Every operation that leaves people there, a few examples each."""
    _four(peopled, 3)


@pytest.mark.thorough(daily=False)
def test_four_people_at_once_are_answered_as_described_whatever_they_send(peopled: Peopled) -> None:
    """The same with many examples."""
    _four(peopled, 300)


def _four(peopled: Peopled, examples: int) -> None:
    for found in peopled.schema.get_all_operations():
        operation = found.ok()
        if operation.method.upper() != "DELETE" and "erase" not in json.dumps(operation.definition.raw, default=str):
            _at_once(peopled, operation, examples)
