"""The seal of a stored answer, which shows a change by hand. A list needs no schema for it."""

import hashlib
import json
from typing import Any

import structlog

from taperwise.api.core.database import Answer

__all__ = ["SEAL", "is_sealed", "seal"]

SEAL = "seal"
"""Where a stored document has it."""

_log = structlog.get_logger("taperwise")


def is_sealed(row: Answer) -> bool:
    """Whether a stored answer is as it was stored; one that is not is logged by its number and never shown."""
    whole = row.document.get(SEAL) == seal(row, row.document)
    if not whole:
        _log.error("stored_answer_damaged", installation=row.installation_id)
    return whole


def seal(row: Answer, document: dict[str, Any]) -> str:
    """Digest of an answer and of what it belongs to: no secret, so it keeps from slips and not from forgers."""
    told = {name: value for name, value in document.items() if name != SEAL}
    whole = json.dumps([row.installation_id, row.sequence, row.seed, row.model_version, told], sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()
