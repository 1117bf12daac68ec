"""``taperwise refit`` with slow fits, to be interrupted: ``python -m tests.api.interrupted_refit URL``."""

import sys
from functools import partial


def _main(url: str) -> None:
    from taperwise.api.cli.main import app  # not above, which every worker loads too
    from taperwise.api.refit import fleet
    from tests.api.fits import slowly

    fleet.refit_fleet = partial(fleet.refit_fleet, work=slowly)  # type: ignore[assignment]
    app(["refit", "--database-url", url])


if __name__ == "__main__":
    _main(*sys.argv[1:])
