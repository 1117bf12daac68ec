"""The service with a stand-in for the model, in a process of its own: ``… FOLDER [BYTES]``.

It prints its port once it listens.
"""

import socket
import sys
from pathlib import Path

import uvicorn

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from tests.api.conftest import StandIn


def _main(folder: str, most_bytes: str = "16777216") -> None:
    settings = Settings(data_folder=Path(folder), database_url="", max_body_bytes=int(most_bytes))
    app = create_app(settings, StandIn)
    app.state.desk.prepare()
    app.state.worker.start()
    with socket.create_server(("127.0.0.1", 0), backlog=1024) as door:
        print(door.getsockname()[1], flush=True)
        uvicorn.Server(uvicorn.Config(app, log_level="critical")).run(sockets=[door])


if __name__ == "__main__":
    _main(*sys.argv[1:])
