"""The list of what an observation of another shape takes: nine files, and nothing else."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.another_observation import LINES, add_to
from tests.mutations import copy_of

_ROOT = Path(__file__).parents[1]
_MOST = 9

_BESIDE = {
    "power_rpm_rise": {
        "model/physics/static_speed.py": "the physics it rests on",
        "model/traces/instruments.py": "a logger's record shows it too",
        "api/traces/recording.py": "as above",
        "api/schemas/log.py": "as above",
        "api/cli/read_sweep.py": "as above",
        "api/log/routes.py": "an example in the API's description",
    },
    "idle_rpm_rise": {
        "model/physics/mixture.py": "its noise is an unknown of its own",
        "model/physics/priors.py": "as above",
        "model/inference/pymc_model.py": "as above",
        "model/inference/coordinate_scales.py": "as above",
        "model/prediction/stages.py": "the idle is confirmed by it",
        "shared/records.py": "the owner has a band for it",
        "api/schemas/installation.py": "as above",
        "api/exports/sheet.py": "as above",
        "api/presentation/set_up_text.py": "as above",
        "api/web/set_up.py": "as above",
        "api/web/templates/set_up_rest.html": "as above",
        "api/web/templates/settings.html": "as above",
        "api/web/run_forms.py": "the form works it out from two speeds",
        "api/cli/options.py": "an option of a command",
        "api/files/day.py": "the demo's day holds it",
        "api/log/routes.py": "an example in the API's description",
    },
}
"""Observations, and files that name one for something more than being an observation."""


def _listed() -> set[str]:
    """Source files of the contributor's list."""
    text = (_ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    ours = text.split("*An observation of another shape*")[1].split("\n*An action*")[0]
    return {name for name in re.findall(r"`([\w/]+\.(?:py|html))`", ours) if not name.startswith("tests/")}


def _naming(observation: str) -> set[str]:
    """Files of the product that name it, as a field of a run or as the model's arrays call it."""
    name = re.compile(f"{observation}|{observation.replace('rpm_', '')}")
    files = (file for floor in ("shared", "model", "api") for file in (_ROOT / floor).rglob("*.*"))
    sources = [file for file in files if file.suffix in (".py", ".html")]
    assert len(sources) > 200
    return {str(file.relative_to(_ROOT)) for file in sources if name.search(file.read_text(encoding="utf-8"))}


@pytest.mark.parametrize("observation", _BESIDE)
def test_few_files_name_an_observation(observation: str) -> None:
    """Those of the list, and those that name it for something more; an exception that is none any longer goes."""
    assert _naming(observation) == _listed() | _BESIDE[observation].keys()
    assert len(_listed()) <= _MOST


@pytest.mark.slow
def test_one_more_is_added_by_the_list_alone(tmp_path: Path) -> None:
    """In a copy of the source; then model, API, form, history and table know it."""
    assert set(LINES) == _listed()
    assert len(LINES) <= _MOST
    with copy_of(_ROOT) as place:
        add_to(place)
        env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(place / ".src"), str(place)])}
        command = [sys.executable, "-m", "tests.another_observation", str(tmp_path)]
        done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=place, env=env)
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stdout.split()[-1] == "fine"
