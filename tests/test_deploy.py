"""The files of `api/deploy/`: as far as they can be tried without a container engine and without systemd as init."""

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from taperwise.api.core.settings import Settings
from tests.browser.behind_nginx import NAME, PREFIX

_ROOT = Path(__file__).parents[1]
_DEPLOY = _ROOT / "api" / "deploy"
_COMPOSE: dict[str, Any] = yaml.safe_load((_DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
_CONTAINERFILE = (_DEPLOY / "Containerfile").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["compose.yaml", "Containerfile", "nginx.conf", "taperwise.service"])
def test_settings_of_the_files_are_there(name: str) -> None:
    """Every variable that is set or spoken of is a setting."""
    named = set(re.findall(r"TAPERWISE_([A-Z_]+[A-Z])", (_DEPLOY / name).read_text(encoding="utf-8")))
    assert named
    assert {each.lower() for each in named} <= set(Settings.model_fields)


def test_the_compose_file_lets_nobody_past_the_proxy() -> None:
    """The proxy alone has a door; the service trusts its network and the prefix is one and the same."""
    services = _COMPOSE["services"]
    assert {name for name, each in services.items() if "ports" in each} == {"proxy"}
    (network,) = [each["subnet"] for each in _COMPOSE["networks"]["inside"]["ipam"]["config"]]
    environment = services["service"]["environment"]
    assert network in environment["TAPERWISE_TRUSTED_PROXIES"].split(",")
    assert environment["TAPERWISE_ROOT_PATH"] == PREFIX
    conf = (_DEPLOY / "nginx.conf").read_text(encoding="utf-8")
    assert f"location {PREFIX}/ {{" in conf
    assert f"server_name {NAME};" in conf
    assert "http://service:8765;" in conf
    assert services["service"]["cap_drop"] == ["ALL"]


def test_the_settings_of_the_compose_file_can_be_used() -> None:
    """Together with those of the image they pass the checks of the service."""
    image = dict(re.findall(r"(TAPERWISE_[A-Z_]+)=(\S+)", _CONTAINERFILE))
    given = image | _COMPOSE["services"]["service"]["environment"]
    text = {k.removeprefix("TAPERWISE_").lower(): re.sub(r"\$\{(\w+):\?[^}]*\}", "x", v) for k, v in given.items()}
    settings = Settings(**text)
    assert settings.for_others
    assert settings.names == ("x",)


def test_the_image_runs_without_root_and_compiles_when_built() -> None:
    """User, model and health check stand in the order that works."""
    steps = re.findall(r"^([A-Z]+) (.*)$", _CONTAINERFILE, re.MULTILINE)
    order = [f"{verb} {rest.split()[0]}" for verb, rest in steps]
    assert order.index("USER 10001") < order.index("RUN taperwise") < order.index('CMD ["taperwise",')
    assert "HEALTHCHECK" in dict(steps)
    extras = set(re.findall(r"\[([a-z,]+)\]'", _CONTAINERFILE)[0].split(","))
    assert extras == {"postgres", "otel", "spreadsheets"}


def test_the_unit_is_one_and_is_hardened(tmp_path: Path) -> None:
    """Systemd itself reads it: no unknown line, and less within reach than its own mark for OK."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    text = (_DEPLOY / "taperwise.service").read_text(encoding="utf-8")
    unit = tmp_path / "taperwise.service"
    unit.write_text(text.replace("/opt/taperwise/bin/taperwise", "/bin/true"), encoding="utf-8")
    verified = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False)  # noqa: S607
    assert verified.returncode == 0, verified.stderr
    assert "taperwise.service" not in verified.stderr
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", unit],  # noqa: S607
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert judged.returncode == 0, judged.stdout[-300:]


def test_the_page_installs_what_the_unit_runs() -> None:
    """Where the program, the variables and both folders are."""
    unit = (_DEPLOY / "taperwise.service").read_text(encoding="utf-8")
    page = (_ROOT / "api" / "docs" / "how_to" / "install_on_a_server.md").read_text(encoding="utf-8")
    places = re.findall(r"^(?:EnvironmentFile=-|ExecStart=)(\S+)", unit, re.MULTILINE)
    places += re.findall(r"_FOLDER=(\S+)", unit)
    assert len(places) == 4
    for place in places:
        assert place.removesuffix("/bin/taperwise") in page, place
    assert "api/deploy/taperwise.service" in page
