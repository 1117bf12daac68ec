"""Debian's nginx as `api/deploy/nginx.conf` sets it up, before a service on this machine."""

import re
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from socket import create_connection, create_server

import pytest

__all__ = ["CONF", "NAME", "PREFIX", "free_port", "nginx"]

CONF = Path(__file__).parents[2] / "api" / "deploy" / "nginx.conf"
_NGINX = Path("/usr/sbin/nginx")
NAME, PREFIX = "tuning.example.org", "/tuning"


def free_port() -> int:
    """A port nobody listens on."""
    with create_server(("127.0.0.1", 0)) as door:
        return int(door.getsockname()[1])


def _changed(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} should stand in {CONF.name} once"
    return text.replace(old, new)


@contextmanager
def nginx(folder: Path, service_port: int, *, keep_prefix: bool = True) -> Iterator[int]:
    """The proxy with a certificate made now; its port.

    Parameters
    ----------
    folder : Path
    service_port : int
    keep_prefix : bool
        Whether it passes the prefix on, as the file does, or takes it off.
    """
    if not _NGINX.exists():
        pytest.skip(f"{_NGINX} is not installed")
    port = free_port()
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={NAME}",  # noqa: S607
         "-addext", f"subjectAltName=DNS:{NAME}", "-keyout", folder / "key.pem", "-out", folder / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    text = CONF.read_text(encoding="utf-8")
    text = _changed(text, "/tmp/nginx.pid", str(folder / "nginx.pid"))  # noqa: S108 - what the file says
    text = _changed(text, "listen 8443 ssl", f"listen 127.0.0.1:{port} ssl")
    text = _changed(text, "http://service:8765", f"http://127.0.0.1:{service_port}{'' if keep_prefix else '/'}")
    text = re.sub(r"/etc/nginx/tls", str(folder), text)
    (folder / "nginx.conf").write_text(f"daemon off;\n{text}", encoding="utf-8")
    with (folder / "nginx.log").open("w") as log:
        proxy = subprocess.Popen([_NGINX, "-p", folder, "-c", folder / "nginx.conf"], stderr=log)
    try:
        _wait(port, proxy, folder / "nginx.log")
        yield port
    finally:
        proxy.terminate()
        proxy.wait(60)


def _wait(port: int, proxy: "subprocess.Popen[bytes]", log: Path) -> None:
    for _ in range(100):
        assert proxy.poll() is None, log.read_text()
        try:
            create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    pytest.fail("nginx did not start")
