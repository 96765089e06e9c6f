"""Bring an empty or older book to the present form, in one transaction."""

import threading
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, inspect, text

from pliant.book.schema import HEAD, REVISIONS, VERSION_TABLE
from pliant.errors import BookError

__all__ = ["form_of", "upgrade"]

_ONE_AT_A_TIME = threading.Lock()  # alembic keeps the running step in a global


def form_of(connection: Connection, where: str) -> str | None:
    """Say which form the tables have.

    Parameters
    ----------
    connection : Connection
        An open connection.
    where : str
        The book, for messages.

    Returns
    -------
    str or None
        The revision; None if the database is empty.

    Raises
    ------
    BookError
        If it is not a book, or a book of a newer pliant.
    """
    tables = inspect(connection).get_table_names()
    if VERSION_TABLE not in tables:
        if not tables or connection.dialect.name == "postgresql":  # a server may hold other tables beside ours
            return None
        raise BookError(f"{where}: a database, but not a pliant book; choose another `book`")
    rows = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalars().all()
    if len(rows) == 1 and rows[0] in REVISIONS:
        return str(rows[0])
    raise BookError(
        f"{where}: written by a newer pliant (form {', '.join(rows) or '?'}, this one knows {HEAD}); update"
    )


def upgrade(connection: Connection, to: str = HEAD) -> None:
    """Run the missing steps on a connection whose transaction is already open."""
    # late: alembic takes as long to import as the rest together, and an up-to-date book never needs it
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    script = ScriptDirectory.from_config(config)

    def steps(revision: Any, _: Any) -> Any:
        return script._upgrade_revs(to, revision)

    with _ONE_AT_A_TIME, EnvironmentContext(config, script, fn=steps, destination_rev=to) as environment:
        environment.configure(connection=connection, version_table=VERSION_TABLE)
        with environment.begin_transaction():
            environment.run_migrations()
