"""Photos of an engine that is somebody else's."""

import base64

import pytest

from tests.api.accounts.conftest import House
from tests.api.asking import RUN
from tests.api.test_photos import taken


@pytest.mark.parametrize(("who", "deletes"), [("builder", True), ("adviser", False)])
def test_an_adviser_sees_a_photo_and_only_the_owner_deletes_it(house: House, who: str, deletes: bool) -> None:
    """On the page and by its address: what is not offered is not done either."""
    owner, asks = house.headers("builder"), house.headers(who)
    engine = f"/api/v1/installations/{house.builders}"
    assert house.client.post(f"{engine}/runs", json=RUN, headers=owner).status_code == 201
    sent = {"image": base64.b64encode(taken()).decode()}
    made = house.client.post(f"{engine}/entries/1/photos", json=sent, headers=owner).json()
    photo = f"{engine}/entries/1/photos/{made['id']}"
    page = house.client.get(f"/installations/{house.builders}/history", headers=asks)
    assert photo in page.text
    assert ("for good</button>" in page.text) is deletes
    assert house.client.get(photo, headers=asks).status_code == 200
    assert house.client.delete(photo, headers=asks).status_code == (204 if deletes else 403)
    assert house.client.get(photo, headers=owner).status_code == (404 if deletes else 200)


@pytest.mark.parametrize("who", ["stranger", "other"])
def test_nobody_else_learns_that_there_is_a_photo(house: House, who: str) -> None:
    """It is as one of an engine that never was."""
    owner, asks = house.headers("builder"), house.headers(who)
    engine = f"/api/v1/installations/{house.builders}"
    house.client.post(f"{engine}/runs", json=RUN, headers=owner)
    sent = {"image": base64.b64encode(taken()).decode()}
    made = house.client.post(f"{engine}/entries/1/photos", json=sent, headers=owner).json()
    there = house.client.get(f"{engine}/entries/1/photos/{made['id']}", headers=asks)
    never = house.client.get(f"/api/v1/installations/987654/entries/1/photos/{made['id']}", headers=asks)
    assert there.status_code == never.status_code == 404
    assert there.json()["detail"] == never.json()["detail"].replace("987654", str(house.builders))
