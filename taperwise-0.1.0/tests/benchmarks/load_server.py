"""The service that `load` measures, in a process of its own: as `serve` starts it, without sampler and worker."""

import socket
import sys
from pathlib import Path

__all__: list[str] = []


def _main(folder: str) -> None:
    import uvicorn

    from taperwise.api.app import create_app
    from taperwise.api.core.logging import configure
    from taperwise.api.core.settings import Settings

    configure()
    app = create_app(Settings(data_folder=Path(folder), database_url="", worker=False))
    with socket.create_server(("127.0.0.1", 0), backlog=1024) as door:
        print(door.getsockname()[1], flush=True)
        uvicorn.Server(uvicorn.Config(app, log_level="warning", log_config=None)).run(sockets=[door])


if __name__ == "__main__":
    _main(*sys.argv[1:])
