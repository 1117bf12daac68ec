"""Which version of the schema a database has, and how it gets the newest one."""

from importlib.resources import files

from sqlalchemy import Connection, inspect

from taperwise.shared.errors import InvalidValueError

__all__ = ["newest_schema", "upgrade"]

_LOCK = 8_118_118
"""Key of PostgreSQL's advisory lock on changes of the schema; any number that nothing else in the database takes."""


def newest_schema() -> str:
    """Revision that this release knows as the last: files of revisions are named by theirs."""
    names = (each.name for each in files("taperwise.api.migrations.versions").iterdir())
    return max(name[1:5] for name in names if name.startswith("r"))


def _schema_of(connection: Connection) -> str | None:
    """Revision that a database says it is of."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()


def upgrade(connection: Connection, name: str) -> None:
    """Bring the schema up to date; services that do so at once do it one after the other.

    Parameters
    ----------
    name : str
        What an error calls the database.

    Raises
    ------
    InvalidValueError
        If the database has a schema version that this release does not know.
    """
    if _schema_of(connection) == newest_schema():
        return
    if connection.dialect.name == "postgresql":  # SQLite was locked when the transaction began
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
    if _schema_of(connection) != newest_schema():  # another service may have been faster
        _run_migrations(connection, name)
        connection.commit()


def _run_migrations(connection: Connection, name: str) -> None:
    from alembic import command  # a quarter of a second that a start with nothing to upgrade does without
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", "taperwise.api:migrations")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
    except CommandError:
        raise InvalidValueError(
            f"The database has schema version {_schema_of(connection)}. This release knows version {newest_schema()} "
            "and changed nothing",
            field="database_url",
            value=name,
            cure="Start the release that made this database, or set TAPERWISE_DATABASE_URL to another one.",
        ) from None
