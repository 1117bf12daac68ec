"""The OpenAPI page and what it describes."""

from tests.api.asking import Client


def test_the_openapi_page_asks_nobody_else(client: Client) -> None:
    """The page and all it loads come from the service itself, under a policy that forbids the rest."""
    page = client.get("/docs")
    assert "default-src 'none'" in page.headers["Content-Security-Policy"]
    assert "://" not in page.text
    assert client.get("/docs/other.js").status_code == 404
    for name in ("page.js", "page.css", "start.js"):
        assert client.get(f"/docs/{name}").status_code == 200
        assert "sourceMappingURL" not in client.get(f"/docs/{name}").text
    schema = client.get("/openapi.json").json()
    assert schema["info"]["title"] == "Taperwise"


def test_refusals_are_described_as_what_they_are(client: Client) -> None:
    """Every refusal in the OpenAPI schema is a problem document and nothing else; every POST has examples."""
    schema = client.get("/openapi.json").json()
    assert "Problem" in schema["components"]["schemas"]
    for path, operations in schema["paths"].items():
        for method, operation in operations.items():
            refusals = {s: set(r["content"]) for s, r in operation["responses"].items() if s >= "400"}
            assert all(content == {"application/problem+json"} for content in refusals.values()), path
            if path.startswith("/api") and path != "/api/v1/idle-levels":  # which asks nothing and reads nothing
                asked = bool(operation.get("parameters") or operation.get("requestBody"))
                assert {"503", *(["422"] if asked else [])} <= set(refusals), (method, path)
            if method == "post":
                assert {"400", "413", "415"} <= set(refusals)
                assert operation["requestBody"]["content"]["application/json"]["examples"]


def test_the_examples_are_accepted(client: Client) -> None:
    """Each example of the OpenAPI page, sent as it stands, is recorded."""
    schema = client.get("/openapi.json").json()
    sent = 0
    place = "/api/v1/installations"
    for path, operations in schema["paths"].items():
        if "post" in operations and "/me/" not in path:  # nobody has keys of their own where people are not told apart
            body = operations["post"]["requestBody"]["content"]["application/json"]
            for example in body["examples"].values():
                address = (
                    path.replace("{installation_id}", place.rpartition("/")[2])
                    .replace("{sequence}", "1")
                    .replace("{person_id}", "1")
                )
                answer = client.post(address, json=example["value"])
                # the pool counts owners, and nobody owns an engine where sign-in is off
                assert answer.status_code == (409 if path.endswith("/contribution") else 201), answer.text
                place = place if "Location" not in answer.headers or sent else answer.headers["Location"]
                sent += 1
    assert sent >= 10
