"""Somebody erased with all they own, whichever tables hold something of it, on either kind of database."""

from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import Boolean, Column, DateTime, Float, Integer, LargeBinary, String, Table, insert, select

import taperwise.api.app  # noqa: F401 - every table is declared
from taperwise.api.accounts.tables import Person
from taperwise.api.core.database import Base, Database
from taperwise.api.ownership.erasure import erase
from taperwise.api.recommendations.repository import EarlierFitRow

SOMEBODY, ANOTHER = 1001, 1002
KEPT = {
    "people", "changes", "pool_contributions", "pool_members", "pool_versions", "pool_audit",
}  # fmt: skip
"""Tables that keep a row of somebody erased: it is without them by then, or is about the pool alone."""


def _value(column: Column[Any], number: int) -> Any:
    """Something for a column, another for every number; a foreign key leads to the row of the same number."""
    kind = column.type
    if isinstance(kind, LargeBinary):
        return number.to_bytes(4)
    if isinstance(kind, String):
        return f"{column.name} {number}"[-(kind.length or 40) :]
    if isinstance(kind, Boolean):
        return bool(number % 2)
    if isinstance(kind, Integer | Float):
        return number
    if isinstance(getattr(kind, "impl", kind), DateTime):
        return datetime.now(UTC)
    return []


def _row(table: Table, number: int) -> dict[str, Any]:
    row = {column.name: _value(column, number) for column in table.columns}
    return row | {"erased_at": None} if table.name == "people" else row


@pytest.fixture
def full(database: Database) -> Database:
    """A row of somebody and one of somebody else in every table, nothing left out that may be left out."""
    with database.unit() as session:
        for table in Base.metadata.sorted_tables:
            session.execute(insert(table), [_row(table, number) for number in (SOMEBODY, ANOTHER)])
    return database


def _rows(database: Database, table: Table) -> list[Any]:
    with database.reading() as session:
        return [tuple(row) for row in session.execute(select(table).order_by(*table.primary_key.columns))]


def test_an_installation_is_erased_with_what_its_next_answers_need(database: Database) -> None:
    """Draws of earlier fits tell of an engine: they go with everything else."""
    with database.unit() as session:
        for name in ("people", "installations", "earlier_fits"):
            table = Base.metadata.tables[name]
            session.execute(insert(table), [_row(table, number) for number in (SOMEBODY, ANOTHER)])
    with database.unit() as session:
        assert erase(session, SOMEBODY) == [SOMEBODY]
    with database.reading() as session:
        assert session.scalars(select(EarlierFitRow.installation_id)).all() == [ANOTHER]


def test_no_table_keeps_anybody_from_being_erased(full: Database) -> None:
    """With a row in every table there is, somebody goes, and nothing leads to them or to what was theirs."""
    with full.unit() as session:
        assert erase(session, SOMEBODY) == [SOMEBODY]
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            if key.column.table.name in KEPT - {"people"}:
                continue
            with full.reading() as session:
                left = session.scalars(select(key.parent).where(key.parent == SOMEBODY)).all()
            assert left == [], f"{table.name}.{key.parent.name} still leads to {key.target_fullname}"
    with full.reading() as session:
        person = session.get_one(Person, SOMEBODY)
    may_be_empty = [column.name for column in Base.metadata.tables["people"].columns if column.nullable]
    assert [name for name in may_be_empty if getattr(person, name) is not None] == ["erased_at"]
    assert person.roles == []


def test_tables_hold_nothing_of_somebody_erased_and_all_of_others(full: Database) -> None:
    """Every table loses the one row and keeps the other as it was, but for those that keep a row without them."""
    tables = Base.metadata.sorted_tables
    before = {table.name: _rows(full, table) for table in tables}
    with full.unit() as session:
        erase(session, SOMEBODY)
    after = {table.name: _rows(full, table) for table in tables}
    for name, (_, theirs) in before.items():
        assert theirs in after[name], f"{name} lost somebody else's row"
        if name not in KEPT:
            assert after[name] == [theirs], f"{name} keeps a row of somebody erased"
