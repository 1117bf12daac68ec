"""Engines like it: where to start, how it compares, what it leaves."""

import threading
from datetime import UTC, datetime
from typing import Any

import pytest

from taperwise.api.installations.prior import prior_row
from taperwise.api.pooling import service
from taperwise.api.pooling.release import release
from taperwise.api.pooling.service import now_quarter
from taperwise.api.web import background_calls
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.pooling import NEEDLES, contributed, owned, quick_fit
from tests.api.web.reading import words


def test_a_new_one_is_started_from_the_pool(client: Client, stand_in: StandIn) -> None:
    """Nothing published: the expert's word. Published: the pool's, if it is asked for; then it is kept."""
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    page = f"{place.removeprefix('/api/v1')}/similar"
    told = words(client.get(page).text)
    assert "No shared results for similar engines yet: the pool has no published version yet" in told
    assert "the standard starting estimate" in told
    for i in range(6):
        contributed(client, stand_in, (1.0, 0.1 * i))
    release(client.app.state.database, 5, datetime(2026, 5, 17, tzinfo=UTC), quick_fit)  # type: ignore[attr-defined]
    assert "Based on version 1 of the pool" in words(client.get(page).text)
    started = client.post(page.replace("similar", "start-from"), data={"prior": "pool"})
    told = words(started.text)
    assert "based on 5 shared engines" in told  # told in coarse numbers
    assert "version 1, which it started from" in told
    client.post(f"{place}/runs", json=RUN)
    told = words(client.get(page).text)
    assert "Where to start" not in told
    assert "This engine" in told
    late = client.post(page.replace("similar", "start-from"), data={"prior": "expert"})
    assert late.status_code == 409
    assert "before the first entry" in late.text


def test_leaving_and_taking_back(client: Client, home: str) -> None:
    """Only an owner's engine, and with consent; what is taken back is gone."""
    page = f"{home}/similar"
    assert "This engine has no owner" in words(client.get(page).text)
    owned(client, f"/api/v1{home}")
    assert "You can share after the first run of this engine." in client.get(page).text
    client.post(f"/api/v1{home}/runs", json=RUN)
    refused = client.post(f"{home}/leave", data={"note": ""})
    assert refused.status_code == 422
    assert "Nothing was shared" in refused.text
    left = words(client.post(f"{home}/leave", data={"consent": "1"}).text)
    assert "The summary is in the pool, and in no version yet" in left
    back = words(client.post(f"{home}/take-back", data={"x": "1"}).text)
    assert "Yes, share this summary to help others" in back
    quarter = now_quarter(datetime.now(UTC))
    assert f"Only you see this: shared in {quarter}, withdrawn in {quarter}" in back


def test_what_takes_long_is_calculated_beside_the_page(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page says what goes on; once it is cancelled nothing is stored, and else it is there on a later look."""
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    page = f"{place.removeprefix('/api/v1')}/similar"
    free, prior_for = threading.Event(), service.prior_for

    def slowly(*asked: Any) -> Any:
        assert free.wait(60.0)
        return prior_for(*asked)

    monkeypatch.setattr(service, "prior_for", slowly)
    monkeypatch.setattr(background_calls, "_PATIENCE_SECONDS", 0.2)
    start = page.replace("similar", "start-from")
    assert "Calculating the starting estimate" in words(client.post(start, data={"prior": "expert"}).text)
    assert "Calculating the starting estimate" not in words(client.post(f"{page}/cancel", data={"x": "1"}).text)
    free.set()
    monkeypatch.setattr(background_calls, "_PATIENCE_SECONDS", 30.0)
    with client.app.state.database.reading() as session:  # type: ignore[attr-defined]
        assert prior_row(session, 1) is None
    assert client.post(start, data={"prior": "expert"}).status_code == 200
    with client.app.state.database.reading() as session:  # type: ignore[attr-defined]
        assert prior_row(session, 1) is not None
