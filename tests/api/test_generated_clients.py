"""Clients that two generators make of the OpenAPI document, neither of them ours: their names, their types, and a
tuning made with one of them alone.
"""

import ast
import importlib
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.request import urlopen
from uuid import uuid4

import pytest
from pydantic import TypeAdapter

from taperwise.api.files.day import run_body
from taperwise.api.files.installation import installation_from
from taperwise.api.schemas.adjustments import AdjustmentIn, AdjustmentKinds
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.runs import Air
from tests.browser.conftest import Service

pytestmark = pytest.mark.slow

_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
_MOST_RUNS = 12  # Here the test gives up. The benchmark `campaign` measures how many runs a tuning takes.


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, recommender: Recommender) -> Iterator[Service]:
    """A service with the real model."""
    made = Service(tmp_path_factory.mktemp("service"), lambda _seed: recommender)
    made.on()
    yield made
    made.off()


@pytest.fixture(scope="module")
def document(service: Service, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The OpenAPI document, as the service serves it."""
    kept = tmp_path_factory.mktemp("document") / "openapi.json"
    with urlopen(f"{service.address}/openapi.json") as answer:  # noqa: S310 - our own service
        kept.write_bytes(answer.read())
    return kept


@pytest.fixture(scope="module")
def client(document: Path) -> Path:
    """A client package with functions and attrs classes."""
    made = document.parent / "generated_client"
    kinds = dict.fromkeys(("application/x-netcdf", "image/jpeg"), "application/octet-stream")
    told = document.parent / "generator.json"
    told.write_text(json.dumps({"post_hooks": [], "content_type_overrides": kinds}), encoding="utf-8")
    arguments = ("--path", document, "--output-path", made, "--meta", "none", "--config", told)
    _run("openapi_python_client", "generate", *arguments)
    return made


@pytest.fixture(scope="module")
def models(document: Path) -> Path:
    """A module of pydantic models."""
    made = document.parent / "generated_models.py"
    _run(
        "datamodel_code_generator", "--input", document, "--input-file-type", "openapi", "--output", made,
        "--output-model-type", "pydantic_v2.BaseModel", "--target-python-version", "3.12",
    )  # fmt: skip
    return made


def _run(module: str, *arguments: object) -> None:
    command = [sys.executable, "-m", module, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "WARNING" not in done.stdout + done.stderr, done.stdout + done.stderr


def _classes(place: Path) -> set[str]:
    files = sorted(place.rglob("*.py")) if place.is_dir() else [place]
    found = (node for file in files for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))))
    return {node.name for node in found if isinstance(node, ast.ClassDef)}


@pytest.fixture
def imported(monkeypatch: pytest.MonkeyPatch, document: Path) -> Any:
    """Imports what was generated."""
    monkeypatch.syspath_prepend(str(document.parent))
    return importlib.import_module


class _Calls:
    """Calls of the generated client's functions, each with a key of its own."""

    def __init__(self, imported: Any, address: str) -> None:
        self._import = imported
        self._client = imported("generated_client").Client(base_url=address, timeout=120.0)

    def __call__(self, operation: str, model: str, body: dict[str, Any], *numbers: int) -> Any:
        tag, _, name = operation.partition(".")
        sent = getattr(self._import("generated_client.models"), model).from_dict(body)
        function = self._import(f"generated_client.api.{tag}.{tag}_{name}")
        answer = function.sync_detailed(*numbers, client=self._client, body=sent, idempotency_key=uuid4().hex)
        assert answer.status_code == 201, answer.content
        return answer.parsed

    def close(self) -> None:
        """Let go of the connection."""
        self._client.get_httpx_client().close()

    def make(self, engine: VirtualEngine, action: Any, number: int) -> None:
        """Make an adjustment as suggested, and record it."""
        body = {"kind": str(action.kind)}
        if action.kind == "change_needle":
            body |= {"needle": action.needle, "turns_from_mark": action.turns_from_mark}
        else:
            body |= {"turns": action.turns}
        model = {"change_needle": "ChangeNeedleIn", "turn_screw": "TurnScrewIn", "turn_idle_stop": "TurnIdleStopIn"}
        engine.adjust(_ADJUSTMENT.validate_python(body).record())
        self("log.adjustment", model[str(action.kind)], body, number)


@pytest.mark.parametrize("kind", ["client", "models"])
def test_no_class_is_counted(kind: str, request: pytest.FixtureRequest) -> None:
    """A number in a name means that a generator met two shapes of one name, or one without any."""
    names = _classes(request.getfixturevalue(kind))
    assert {"InstallationIn", "RunIn", "SuggestionOut", "Problem"} <= names
    assert {name for name in names if any(letter.isdigit() for letter in name)} == set()


def test_the_client_keeps_its_types(client: Path) -> None:
    """What is typed by the document is right by a type checker's strict rules."""
    _run("mypy", "--strict", "--no-incremental", "--config-file", "", client)


def test_the_client_tunes_an_engine(service: Service, client: Path, imported: Any) -> None:
    """A virtual engine is set up, run and turned as the service says until it is tuned, by the generated client."""
    assert client.exists()
    sent = installation_from(None)
    engine, air = VirtualEngine.draw(sent.record(), 26), Air(291.15, 99_300.0)
    kinds = []
    with closing(_Calls(imported, service.address)) as call:
        made = call("installations.create", "InstallationIn", sent.model_dump(mode="json", exclude_none=True))
        for _ in range(_MOST_RUNS):
            recorded = call("log.run", "RunIn", run_body(engine.run(air)), made.id)
            action = recorded.suggestion.action
            kinds.append(action.kind)
            if action.kind == "keep":
                break
            if action.kind != "repeat_run":
                call.make(engine, action, made.id)
    assert kinds[-1] == "keep"
    assert "change_needle" in kinds
    truth = engine.truth(air)
    assert (truth.full_right, truth.idle_right, truth.speed_right) == (True, True, True)


def test_the_models_hold_what_the_service_answers(service: Service, models: Path, imported: Any) -> None:
    """Every example of the document fits the model that another generator made of its schema, with every field."""
    made: ModuleType = imported(models.stem)
    document = json.loads((models.parent / "openapi.json").read_text(encoding="utf-8"))
    seen = 0
    for path in document["paths"].values():
        for operation in path.values():
            for status in ("200", "201"):
                content = operation["responses"].get(status, {}).get("content", {}).get("application/json", {})
                name = content.get("schema", {}).get("$ref", "").rpartition("/")[2]
                if name:
                    held = getattr(made, name).model_validate(content["example"])
                    assert set(held.model_dump(mode="json", by_alias=True)) >= set(content["example"])
                    seen += 1
    assert seen > 35
