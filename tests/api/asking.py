"""What the tests of the service send, and how they read a refusal."""

from typing import Any

AIR = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"}}
RISE = {"egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "delta_degF"}}}
RUN = AIR | RISE


def problem(answer: Any, status: int) -> dict[str, Any]:
    """The problem document of an answer that has to be one."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = answer.json()
    assert document["status"] == status
    return document
