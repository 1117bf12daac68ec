"""Rows of all tables: counted and digested whatever database they stand in, and copied from one into another."""

import hashlib
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Table, func, insert, inspect, select, text

import taperwise.api.accounts.tables
import taperwise.api.core.idempotency
import taperwise.api.installations.prior
import taperwise.api.installations.standing
import taperwise.api.log.photos
import taperwise.api.pooling.tables
import taperwise.api.recommendations.repository  # noqa: F401 - loaded, these make their tables known
from taperwise.api.core.database import DERIVED, Base, Damaged
from taperwise.shared.errors import InvalidValueError

__all__ = ["TableFigures", "copy", "counted_rows", "digests", "tables"]

TableFigures = dict[str, tuple[int, str]]
"""Rows of each table, and their SHA-256."""

_AT_ONCE = 500


def tables(connection: Connection) -> list[Table]:
    """All tables but those of derived data, which are made again; those that others refer to first.

    Raises
    ------
    InvalidValueError
        If the database holds a table that is not known here: it would be left out in silence.
    """
    known, present = Base.metadata.sorted_tables, set(inspect(connection).get_table_names())
    strange = present - {table.name for table in known} - {"alembic_version"}
    if strange:
        raise InvalidValueError(
            "The database has tables of another program",
            field="database_url",
            value=", ".join(sorted(strange)),
            cure="Give the service a database of its own.",
        )
    return [table for table in known if table.name in present and not table.info.get(DERIVED)]


def _rows(connection: Connection, table: Table) -> Iterator[dict[str, Any]]:
    there = {column["name"] for column in inspect(connection).get_columns(table.name)}  # fewer in an older release
    columns = [column for column in table.columns if column.name in there]
    query = select(*columns).order_by(*table.primary_key.columns)
    for row in connection.execution_options(yield_per=_AT_ONCE).execute(query).mappings():
        for column in columns:
            value = row[column.name]
            if isinstance(value, Damaged) or (value is None and not column.nullable):
                raise InvalidValueError(
                    "This was changed in the database and cannot be read", field=f"{table.name}.{column.name}",
                    value=", ".join(str(row[key.name]) for key in table.primary_key), cure="Restore an earlier backup.",
                )  # fmt: skip
        yield dict(row)


def _plain(value: Any) -> Any:
    if isinstance(value, bytes):
        return value.hex()
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value


def digests(connection: Connection) -> TableFigures:
    """Count and digest of every table: the same contents give the same figures in any database."""
    found: TableFigures = {}
    for table in tables(connection):
        digest, count = hashlib.sha256(), 0
        for row in _rows(connection, table):
            line = json.dumps({name: _plain(value) for name, value in row.items()}, sort_keys=True)
            digest.update(line.encode() + b"\n")
            count += 1
        found[table.name] = (count, digest.hexdigest())
    return found


def counted_rows(connection: Connection) -> int:
    """Rows in all tables together."""
    return sum(connection.scalar(select(func.count()).select_from(table)) or 0 for table in tables(connection))


def copy(source: Connection, target: Connection) -> None:
    """Copy all rows; numbers given to new rows go on after them."""
    for table in tables(source):
        batch: list[dict[str, Any]] = []
        for row in _rows(source, table):
            batch.append(row)
            if len(batch) == _AT_ONCE:
                target.execute(insert(table), batch)
                batch = []
        if batch:
            target.execute(insert(table), batch)
    if target.dialect.name == "postgresql":
        _count_on(target)


def _count_on(target: Connection) -> None:
    """PostgreSQL counts apart from the rows: its counters are set behind the highest number."""
    for table in tables(target):
        counter = table.autoincrement_column
        if counter is None:
            continue
        name = target.scalar(text("SELECT pg_get_serial_sequence(:t, :c)"), {"t": table.name, "c": counter.name})
        if name is not None:
            highest = target.scalar(select(func.max(counter)))
            target.execute(text("SELECT setval(:s, :n, :used)"), {"s": name, "n": highest or 1, "used": bool(highest)})
