"""A set-up that is edited: each change is an entry of the log.

The installation's document always says what holds now. A correction leaves no record in the log, so that everything
is learned again with what holds now. A change of the hardware is recorded as a changed part. A change of the field's
elevation leaves earlier runs with the earlier one (`elevations`).
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from pydantic import TypeAdapter, ValidationError
from sqlalchemy.orm import Session

from taperwise.api.core.validation import RefusedError
from taperwise.api.core.validation_errors import refusal
from taperwise.api.installations import repository as installations
from taperwise.api.installations.stored import installation_of
from taperwise.api.log import repository, service
from taperwise.api.presentation.set_up_text import DIRECTION_CORRECTED, refused_change
from taperwise.api.schemas.adjustments import AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import EntryOut
from taperwise.api.schemas.set_up import SetUpEdit, SetUpEntry
from taperwise.shared.errors import InvalidValueError

__all__ = ["differences", "edit", "merged"]

_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
_HARDWARE = ("throttle_body.", "engine.displacement", "engine.cylinders", "engine.rated_rpm", "engine.cooling")
_TURNED = {
    "throttle_body.lean_direction": ("turn_screw", "change_needle"),
    "throttle_body.faster_direction": ("turn_idle_stop",),
}


def edit(session: Session, installation_id: int, sent: SetUpEdit) -> EntryOut | None:
    """Change a set-up, and keep the change as an entry; None where nothing differs, or nothing is recorded yet.

    Raises
    ------
    NotFoundError, RefusedError, InvalidValueError, TimeOrderError
        If there is no such installation, the set-up cannot be used, or a change is none that a set-up can hold.
    """
    row = installations.get(session, installation_id, lock=True)
    before = installation_of(row)
    before = before.model_copy(update={"fitted_needle": before.record().fitted_needle})  # left out with one needle
    document = before.model_dump(mode="json", exclude_none=True)
    after = _validated(merged(document, sent.set_up))
    after.record()  # refuses what does not fit together before anything is stored
    changes = differences(before, after)
    if not changes:
        if after.units != before.units:  # what answers are shown in is no part of the log
            row.document = after.model_dump(mode="json", exclude_none=True)
        return None
    _refuse(session, installation_id, sent, changes)
    row.document = after.model_dump(mode="json", exclude_none=True)
    session.flush()
    if repository.last_sequence(session, installation_id) == 0:
        return None  # nothing was learned from what it said before
    if sent.meaning == "correction":
        _turn_round(session, installation_id, changes)
    new_part = sent.meaning == "change" and any(name.startswith(_HARDWARE) for name in changes)
    entry = SetUpEntry(meaning=sent.meaning, changes=changes, new_part=new_part, time=sent.time, note=sent.note)
    made = service.append(session, installation_id, "set_up", entry)
    service.refresh_stop(session, installation_id)  # the log has to hold together afterwards too
    return service.to_response(made, after)


def merged(document: Mapping[str, Any], patch: Mapping[str, Any]) -> dict[str, Any]:
    """A set-up's document with a patch put over it, as RFC 7396 merges; needles are matched by label.

    A quantity is replaced whole: a number without its unit would take the old one's.
    """
    found = dict(document)
    for name, value in patch.items():
        old = found.get(name)
        if value is None:
            found.pop(name, None)
        elif name == "needles" and isinstance(value, list):
            found[name] = _merged_needles(old or [], value)
        elif isinstance(value, Mapping) and isinstance(old, Mapping) and "unit" not in old:
            found[name] = merged(old, value)
        else:
            found[name] = value
    return found


def _merged_needles(old: Sequence[Mapping[str, Any]], new: Sequence[Any]) -> list[Any]:
    by_label: dict[Any, Any] = {needle["label"]: dict(needle) for needle in old}
    others = []
    for each in new:
        label = each.get("label") if isinstance(each, Mapping) else None
        if isinstance(label, str):
            by_label[label.strip()] = {**by_label.get(label.strip(), {}), **each}
        else:
            others.append(each)  # refused as what it is
    return [*by_label.values(), *others]


def _validated(document: dict[str, Any]) -> InstallationIn:
    try:
        return InstallationIn.model_validate(document)
    except ValidationError as error:
        found = [refusal({**e, "loc": ("body", *e["loc"])}) for e in error.errors()[:20]]
        raise RefusedError(found) from None


def differences(before: InstallationIn, after: InstallationIn) -> dict[str, tuple[Any, Any]]:
    """What differs, by dotted name: what it said, and what it says. Units are no part of it."""
    old, new = _flat(before), _flat(after)
    names = [*old, *(name for name in new if name not in old)]
    return {name: (old.get(name), new.get(name)) for name in names if old.get(name) != new.get(name)}


def _flat(sent: InstallationIn) -> dict[str, Any]:
    document = sent.model_dump(mode="json", exclude_none=True, exclude={"units"})
    document["needles"] = {n.pop("label"): n for n in document["needles"]}
    return dict(_leaves("", document))


def _leaves(name: str, value: Any) -> Iterable[tuple[str, Any]]:
    if isinstance(value, dict) and not {"value", "unit"} <= value.keys():
        for inner, below in value.items():
            yield from _leaves(f"{name}.{inner}" if name else inner, below)
    else:
        yield name, value


def _refuse(session: Session, installation_id: int, sent: SetUpEdit, changes: Mapping[str, tuple[Any, Any]]) -> None:
    """Refuse what a set-up cannot say: a change that is an adjustment, or a fitted needle that is retired."""
    fitted = service.load(session, installation_id).position().fitted_needle
    for name, (old, new) in changes.items():
        what = name.rpartition(".")[2] if name.startswith("needles.") else name
        if what == "retired" and new and name == f"needles.{fitted}.retired":
            raise InvalidValueError(**refused_change("retired", name, fitted))
        if sent.meaning == "change" and old is not None and what in ("taper_slope", "fuel", "fitted_needle"):
            raise InvalidValueError(**refused_change(what, name, new))


def _turn_round(session: Session, installation_id: int, changes: Mapping[str, tuple[Any, Any]]) -> None:
    """Correct turns recorded under the wrong direction: hands turned the key as said, which did the opposite."""
    kinds = {kind for name, found in _TURNED.items() if None not in changes.get(name, (None,)) for kind in found}
    if not kinds:
        return
    corrected = repository.corrections(session, installation_id)
    now = datetime.now(UTC)
    for row in repository.entries(session, installation_id):
        document = corrected[row.id][-1].document if row.id in corrected else row.document
        if row.kind != "adjustment" or document is None or document["kind"] not in kinds:
            continue
        turned = {n: -v if n in ("turns", "turns_from_mark") else v for n, v in document.items()}
        _ADJUSTMENT.validate_python(turned)
        repository.keep_correction(session, row.id, now, DIRECTION_CORRECTED, turned)
