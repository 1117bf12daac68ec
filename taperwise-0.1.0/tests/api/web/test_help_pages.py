"""The help pages: shown, leading on, and true of the API."""

import json
import re
from pathlib import Path

from taperwise.api.explained.documents import address_of
from tests.api.asking import Client
from tests.sentences import HELP

_TUTORIAL = Path(__file__).parents[3] / "api/docs/tutorial/first_http_run.md"


def test_links_lead_on_in_the_service(client: Client) -> None:
    """Every page is shown, with its title, and every link and picture on it leads to something."""
    tried: set[str] = set()
    for path in HELP:
        address = address_of(path)
        shown = client.get(str(address))
        assert shown.status_code == 200, path
        assert "<h1>" in shown.text
        for found in re.findall(r'(?:href|src)="(/[^"]*)"', shown.text.replace("&quot;", '"')):
            target = found.partition("#")[0]
            if target not in tried:
                assert client.get(target).status_code == 200, f"{path}: {found}"
                tried.add(target)
        assert not re.search(r'(?:href|src)="(?!/|#|https?:)', shown.text), path
    assert len(tried) > len(HELP)
    assert client.get("/help/none").status_code == client.get("/help/pictures/none.png").status_code == 404


def test_the_http_tutorial_works(client: Client) -> None:
    """Its requests, as they are printed, are accepted."""
    text = _TUTORIAL.read_text(encoding="utf-8").replace("\\\n", "")
    asked = re.findall(r"curl -s localhost:8765(\S+) (.*?) +-d '(.*?)'", text, re.DOTALL)
    assert len(asked) == 3
    for address, said, body in asked:
        headers = dict(each.split(": ") for each in re.findall(r"-H '([^']*)'", said))
        answer = client.post(address, json=json.loads(body), headers=headers)
        assert answer.status_code == 201, answer.text
