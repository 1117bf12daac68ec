from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.specs.openapi.checks import positive_data_acceptance

from api.app import create_app
from api.settings import Settings
from tests.api.asking import Client
from tests.api.conftest import StandIn


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The service's schema, loaded from an application that holds one installation."""
    app = create_app(Settings(data_folder=tmp_path_factory.mktemp("schema"), database_url=""), StandIn)
    app.state.desk.prepare()
    needle = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
    with Client(app) as client:
        assert client.post("/api/v1/installations", json={"needles": [needle]}).status_code == 201
        yield schemathesis.openapi.from_asgi("/openapi.json", app)


def test_every_operation_keeps_its_word(described: Any) -> None:
    """Whatever is sent to any operation, the answer is one the schema describes, never a failure of the server.

    Left out is the check that all schema-valid data be accepted: plausible ranges depend on the unit beside the
    number, and parts must fit together, neither of which a schema can say.
    """
    operations = [found.ok() for found in described.get_all_operations()]
    assert len(operations) >= 11
    for operation in operations:

        @given(case=operation.as_strategy())
        @settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
        def keeps_its_word(case: schemathesis.Case) -> None:
            case.call_and_validate(excluded_checks=[positive_data_acceptance])

        keeps_its_word()
