from collections.abc import Callable, Iterator
from typing import Any
from uuid import uuid4

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.specs.openapi.checks import positive_data_acceptance

from taperwise.api.accounts.service import add, give_key
from taperwise.api.app import create_app
from taperwise.api.core.roles import Role, Scope
from taperwise.api.core.settings import Settings
from taperwise.api.installations.repository import page
from taperwise.api.ownership.adviser_access import give
from tests.api.asking import Client
from tests.api.conftest import StandIn
from tests.api.everything_on import ON_POSTGRES


@pytest.fixture(scope="module", params=["keys"] if ON_POSTGRES else ["local", "keys"])
def described(request: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, Callable[[], Any]]]:
    """The service's schema, loaded from an application that holds one installation, and what makes a key's header."""
    folder = tmp_path_factory.mktemp("schema")
    app = create_app(
        Settings(data_folder=folder, database_url="", access=request.param, requests_a_minute=1_000_000), StandIn
    )
    app.state.desk.prepare()

    def headers() -> dict[str, str]:
        """Of somebody new who may everything, and owns the newest installation."""
        if request.param == "local":
            return {}
        with app.state.database.unit() as session:
            number = add(session, uuid4().hex, list(Role)).id
            for row in page(session, 1, 0)[1]:
                give(session, row.id, number)
            return {"Authorization": f"Bearer {give_key(session, number, 'schema', Scope.EVERYTHING)[1]}"}

    needle = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
    with Client(app) as client:
        made = client.post("/api/v1/installations", json={"needles": [needle]}, headers=headers())
        assert made.status_code == 201
        yield schemathesis.openapi.from_asgi("/openapi.json", app), headers


@pytest.mark.slow
@pytest.mark.both
def test_every_operation_keeps_its_word(described: tuple[Any, Callable[[], Any]]) -> None:
    """Whatever is sent to any operation, the answer is one the schema describes, never a failure of the server.

    Left out is the check that all schema-valid data be accepted: plausible ranges depend on the unit beside the
    number, and parts must fit together, neither of which a schema can say.
    """
    schema, headers = described
    operations = [found.ok() for found in schema.get_all_operations()]
    assert len(operations) >= 11
    for operation in operations:
        _keeps_its_word(operation, headers())  # somebody new for each: an operation may erase whoever asks


def _keeps_its_word(operation: Any, headers: dict[str, str]) -> None:
    @given(case=operation.as_strategy())
    @settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
    def whatever_is_sent(case: schemathesis.Case) -> None:
        case.call_and_validate(headers=headers, excluded_checks=[positive_data_acceptance])

    whatever_is_sent()
