"""A service for development: ``python -m tests.serve [ENGINES]``.

Its database holds an invented fleet, and it starts again whenever a file changes. All of it is in a folder that is
gone afterwards, unless TAPERWISE_DATA_FOLDER names another.
"""

import os
import sys
import tempfile
from pathlib import Path

import uvicorn

from taperwise.api.cli.fleet import fill
from taperwise.api.core.database import Database
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import ConflictError

_ROOT = Path(__file__).parents[1]


def main(engines: int) -> None:
    """Fill the database, and serve."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ.setdefault("TAPERWISE_DATA_FOLDER", folder)
        settings = Settings()
        database = Database(settings.url)
        database.migrate()
        try:
            fill(database, engines, 1, print)
        except ConflictError as full:
            print(full)
        database.close()
        print(f"http://{settings.host}:{settings.port}/installations")
        uvicorn.run(
            "taperwise.api.cli.asgi:service", factory=True, host=settings.host, port=settings.port, log_config=None,
            reload=True, reload_dirs=[str(_ROOT / part) for part in ("api", "model", "shared")],
        )  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
