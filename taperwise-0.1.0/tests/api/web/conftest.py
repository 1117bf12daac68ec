"""An installation that was set up through its page."""

import pytest

from tests.api.asking import Client
from tests.api.web.reading import FORM


@pytest.fixture
def home(client: Client) -> str:
    """Address of an installation's page."""
    answer = client.post("/installations/new", data=FORM, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return str(answer.headers["Location"])
