"""The service while no file may grow beyond a limit, in a process of its own: ``… FOLDER``; prints what came of it.

Every third limit in turn, from no page at all until all goes well: whichever write of SQLite to its files goes
beyond it fails there and then, by the operating system's own word (RLIMIT_FSIZE, setrlimit(2)).
"""

import json
import resource
import sys
from collections import Counter
from pathlib import Path
from typing import Any

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn

_PAGE = 4096
_BEFORE = 3


def _limit(pages: int | None) -> None:
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard if pages is None else pages * _PAGE, hard))


def _main(folder: str) -> None:
    settings = Settings(data_folder=Path(folder), database_url="")
    with Client(create_app(settings, StandIn), raise_server_exceptions=False) as client:
        needles = [{"label": "a", "taper_slope": {"value": 30.0, "unit": "mm/m"}}]
        place = client.post("/api/v1/installations", json={"needles": needles}).headers["Location"]
        for _ in range(_BEFORE):
            client.post(f"{place}/runs", json={**RUN, "note": "x" * 900})
        answers: Counter[int] = Counter()
        told: list[Any] = []
        reads: Counter[int] = Counter()
        acknowledged, pages, wide = _BEFORE, 0, 0
        while wide < 6:  # writes one after the other that went well
            _limit(pages)
            for number in range(2):
                key = {"Idempotency-Key": f"limit-{pages:04d}-{number}"}
                answer = client.post(f"{place}/runs", json={**RUN, "note": "y" * 900}, headers=key)
                answers[answer.status_code] += 1
                wide = wide + 1 if answer.status_code == 201 else 0
                if answer.status_code != 201:
                    told.append([answer.headers["content-type"], answer.json()["detail"]])
                    _limit(None)
                    answer = client.post(f"{place}/runs", json={**RUN, "note": "y" * 900}, headers=key)
                    assert answer.status_code == 201, answer.text
                    _limit(pages)
                acknowledged += 1
                reads[client.get(f"{place}/history").status_code] += 1
            _limit(None)
            pages += 3
        history = client.get(f"{place}/history").json()
        with client.app.state.database.reading() as session:  # type: ignore[attr-defined] - the client hides the type
            whole = session.connection().exec_driver_sql("PRAGMA integrity_check").scalar()
    print(
        json.dumps(
            {
                "answers": answers, "told": told, "reads": reads, "acknowledged": acknowledged,
                "sequences": [e["sequence"] for e in history["entries"]], "total": history.get("total"), "whole": whole,
            }
        )
    )  # fmt: skip


if __name__ == "__main__":
    _main(*sys.argv[1:])
