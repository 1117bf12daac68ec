"""Examples of the API's responses: ``python -m tests.examples`` asks a service for all of them and writes them down.

The engine is invented, and the adviser behind the service draws from the prior: no sampler runs.
"""

import json
import re
import tempfile
from pathlib import Path
from typing import Any

from taperwise.api.accounts.service import add, give_key
from taperwise.api.app import create_app
from taperwise.api.core import examples
from taperwise.api.core.roles import Role, Scope
from taperwise.api.core.settings import Settings
from taperwise.api.files.installation import fixture
from taperwise.api.log.photo_routes import WHITE_PIXEL
from taperwise.api.ownership.adviser_access import give, grant_access
from taperwise.api.ownership.transfer import offer
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.sampler import Posterior
from tests import recorded
from tests.api.asking import RUN, Client

__all__ = ["FILE", "made"]

FILE = Path(examples.__file__).parent / examples.FILE
_AT = "/api/v1/installations"
_DRAWS = 200
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|\+00:00)?")
_FILES = {"image/jpeg": "(a JPEG file)"}
_PROGRESS = {"detail": "The model is getting ready: about 40 s left. Ask again then.", "seconds_left": 40}


def made() -> dict[str, dict[str, Any]]:
    """Every success response, by method and path as OpenAPI has them, then by status."""
    folder = Path(tempfile.mkdtemp())
    settings = Settings(data_folder=folder, database_url="", access="keys", requests_a_minute=100_000)
    app = create_app(settings, lambda _seed: recorded.advisor_with(_Prior(_DRAWS)))
    with Client(app) as client:
        app.state.desk.prepare()
        with app.state.database.unit() as session:
            owner = add(session, "the builder in hangar 7", list(Role)).id
            adviser = add(session, "the adviser in hangar 2", [Role.ADVISER]).id
            key = give_key(session, owner, "an invented key", Scope.EVERYTHING)[1]
        client.headers["Authorization"] = f"Bearer {key}"
        return _Asking(client, owner, adviser).all()


class _Prior(recorded.Prior):
    """Draws from the prior, for a summary too."""

    def fit_once(self, evidence: Evidence, seed: int, _length: Any) -> Posterior:
        """The same draws as `fit`."""
        return self.fit(evidence, seed)


class _Asking:
    """Asks for every operation once."""

    def __init__(self, client: Client, owner: int, adviser: int) -> None:
        self.client = client
        self.owner = owner
        self.adviser = adviser
        self.found: dict[str, dict[str, Any]] = {}

    def __call__(self, method: str, path: str, body: Any = None, **numbers: Any) -> Any:
        """What comes back; kept as the operation's example."""
        address = path.partition("?")[0]
        answer = self.client.request(method, path.format(**numbers), json=body)
        assert answer.is_success, (method, path, answer.text)
        kind = answer.headers.get("content-type", "")
        shown: Any = answer.text if kind.startswith("text/") else _FILES.get(kind, "(a NetCDF file)")
        if kind == "application/json":
            shown = _shortened(answer.json())
        if answer.status_code != 204:
            self.found.setdefault(f"{method} {address}", {})[str(answer.status_code)] = shown
        return answer

    def all(self) -> dict[str, dict[str, Any]]:
        """The operations in an order in which each can be done."""
        self._setting_up()
        self._recording()
        self._people()
        for answers in self.found.values():
            if "202" in answers:
                answers["202"] = _PROGRESS
        return self.found

    def _setting_up(self) -> None:
        sent = json.loads(fixture("needle_set.json").read_text(encoding="utf-8"))["installation"]
        self.number = self("POST", _AT, sent).json()["id"]
        with self.client.app.state.database.unit() as session:  # type: ignore[attr-defined] # hidden by the client
            give(session, self.number, self.owner)
            grant_access(session, self.number, self.adviser)
        place = {"installation_id": self.number}
        self("GET", _AT)
        self("PUT", f"{_AT}/{{installation_id}}/units", {"pressure": "hPa"}, **place)
        self("GET", f"{_AT}/{{installation_id}}", **place)
        self("POST", f"{_AT}/{{installation_id}}/prior", {"prior": "expert"}, **place)
        self("GET", f"{_AT}/{{installation_id}}/start", **place)

    def _recording(self) -> None:
        at, place = f"{_AT}/{{installation_id}}", {"installation_id": self.number}
        self("POST", f"{at}/runs", RUN | {"idle_quality": "smooth"}, **place)
        self("POST", f"{at}/adjustments", {"kind": "turn_screw", "turns": -0.125}, **place)
        self("POST", f"{at}/acknowledgements", {"cause": "The oil was still cold."}, **place)
        correction = {"reason": "The turn was not made.", "void": True}
        self("POST", f"{at}/entries/{{sequence}}/corrections", correction, sequence=2, **place)
        note = self("POST", f"{at}/notes", {"text": "Check the intake gasket first."}, **place).json()["id"]
        self("GET", f"{at}/notes/{{note_id}}", **place, note_id=note)
        self("PUT", f"{at}/notes/{{note_id}}", {"text": "Check both intake gaskets first."}, **place, note_id=note)
        slope = [{"label": "taper 30.0", "taper_slope": {"value": 29.8, "unit": "mm/m"}}]
        edited = {"meaning": "correction", "set_up": {"needles": slope}, "note": "measured again"}
        self("PATCH", at, edited, **place)
        for name in (
            "history",
            "suggestion",
            "events",
            "confidence",
            "whatif?turns=0.125",
            "holding",
            "notes",
            "export",
            "table",
        ):
            self("GET", f"{at}/{name}", **place)
        for name in ("suggestion", "confidence", "whatif", "holding", "draws"):
            self.found.setdefault(f"GET {at}/{name}", {})["202"] = _PROGRESS
        self("GET", f"{at}/draws", **place)
        packed = self.client.get(f"{_AT}/{self.number}/export").json()
        self("POST", f"{_AT}/import", packed)
        photos = f"{at}/entries/{{sequence}}/photos"
        photo = self("POST", photos, {"image": WHITE_PIXEL}, sequence=1, **place).json()["id"]
        self("GET", photos, sequence=1, **place)
        self("GET", f"{photos}/{{photo_id}}", sequence=1, photo_id=photo, **place)
        self("POST", f"{at}/contribution", {"consent": True}, **place)
        self("GET", f"{at}/contribution", **place)
        self("DELETE", f"{at}/contribution", **place)
        self("GET", "/api/v1/overview")
        self("GET", "/api/v1/pool")
        self("GET", "/api/v1/idle-levels")

    def _people(self) -> None:
        self("GET", "/api/v1/me")
        key = self("POST", "/api/v1/me/keys", {"label": "display in the hangar", "scope": "reading"}).json()["key"][
            "id"
        ]
        self("GET", "/api/v1/me/keys")
        self("DELETE", "/api/v1/me/keys/{key_id}", key_id=key)
        person = self("POST", "/api/v1/people", {"name": "another builder", "roles": ["builder"]}).json()["id"]
        self("GET", "/api/v1/people")
        made = self("POST", "/api/v1/people/{person_id}/keys", {"label": "a key"}, person_id=person).json()
        self("GET", "/api/v1/people/{person_id}/keys", person_id=person)
        self("DELETE", "/api/v1/people/{person_id}/keys/{key_id}", person_id=person, key_id=made["key"]["id"])
        self("GET", "/api/v1/changes?limit=2")
        self("GET", "/api/v1/advisers")
        self("GET", f"{_AT}/{{installation_id}}/advisers", installation_id=self.number)
        with self.client.app.state.database.unit() as session:  # type: ignore[attr-defined] # hidden by the client
            give(session, self.number, person)
            offer(session, self.number, self.owner)
        self("GET", "/api/v1/me/offers")
        self("GET", "/api/v1/me/export")
        self("GET", "/healthz")
        self("GET", "/readyz")
        self.found["GET /metrics"] = {"200": "taperwise_log_update_seconds_count 12.0\n"}


def _objects(value: list[Any]) -> bool:
    """Whether these are objects of a list, and not the two quantities of a change."""
    return bool(value) and isinstance(value[0], dict) and "unit" not in value[0]


def _shortened(value: Any) -> Any:
    """One item of each list of objects, one moment for all, and no secret."""
    if isinstance(value, dict):
        return {name: "shown-once" if name == "secret" else _shortened(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_shortened(inner) for inner in (value[:1] if _objects(value) else value)]
    return _MOMENT.sub("2026-05-01T10:30:00Z", value) if isinstance(value, str) else value


if __name__ == "__main__":
    FILE.write_text(json.dumps(made(), ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
