"""Open a book: a file (SQLite, write-ahead log) or a server (PostgreSQL).

A write is on the disk when it returns (`synchronous = FULL`), and writers queue for the lock before they read, so that
two of them never give the same version number. An older book is backed up, then migrated, in one transaction.
"""

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import QueuePool

from pliant.book.faults import backups_beside, damaged, spoken
from pliant.book.files import new_file
from pliant.book.lines import write_lines
from pliant.book.migrate import form_of, upgrade
from pliant.book.schema import APPLICATION_ID, HEAD
from pliant.errors import BookError

__all__ = ["BUSY_S", "Book", "copy_sqlite", "default_location", "is_server", "open_book"]

BUSY_S = 10.0  # [s] how long a writer waits for another
# threads of one process take turns: SQLite waits by asking again and again, and of many one may go without for too long
_TURN = threading.RLock()
_SERVER_LOCK = 0x506C6961  # advisory lock that creation and migration hold on a server
_SETTINGS = ("foreign_keys = ON", "synchronous = FULL", "trusted_schema = OFF", "cell_size_check = ON")
_MAGIC = b"SQLite format 3\0"


def default_location() -> str:
    """The book of this user: what `PLIANT_BOOK` names, else a file in the folder for data of applications."""
    return os.environ.get("PLIANT_BOOK") or str(_data_folder() / "book.sqlite")


def _data_folder() -> Path:
    base = os.environ.get("XDG_DATA_HOME", "")
    return (Path(base) if os.path.isabs(base) else Path.home() / ".local" / "share") / "pliant"


def is_server(location: str | Path) -> bool:
    """Whether a location names a server rather than a file."""
    return str(location).startswith(("postgresql:", "postgresql+", "postgres:"))


class Book:
    """An open book; use it in a `with` block, or close it."""

    def __init__(self, engine: Engine, where: str, path: Path | None, read_only: bool = False):
        self.engine, self.where, self.path, self.read_only = engine, where, path, read_only

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent view of the book; faults are worded."""
        with spoken(self.where), self.engine.connect() as connection:
            if self.path is None:
                connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is on the disk after the block, or nothing is."""
        if self.read_only:
            raise BookError(f"{self.where}: the folder or the file can only be read; choose another `book`")
        turn = nullcontext() if self.path is None else _TURN
        with spoken(self.where), turn, self.engine.connect() as connection:
            connection.execution_options(pliant_writes=True)
            with connection.begin():
                yield connection

    def close(self) -> None:
        """Close all connections; the last one tidies the write-ahead log away."""
        self.engine.dispose()

    def __enter__(self) -> "Book":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def open_book(location: str | Path | None = None, *, create: bool = False) -> Book:
    """Open a book, migrating an older one after a backup.

    Parameters
    ----------
    location : str or Path, optional
        A file, or `postgresql://user@host/name`. Default: the user's own book.
    create : bool
        Begin a new book where there is none.

    Returns
    -------
    Book

    Raises
    ------
    BookError
        If there is no book, it is damaged, foreign or of a newer pliant, or it cannot be reached.
    """
    location = default_location() if location is None else location
    if is_server(location):
        return _open_server(str(location), create)
    where = str(location)
    path = Path(location).expanduser().absolute()
    _look_at_file(path, create)
    read_only = path.exists() and not (os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK))
    book = Book(_file_engine(path, read_only), where, path, read_only)
    try:
        with spoken(where):
            _prepare_file(book, create)
    except BaseException:
        book.close()
        raise
    return book


def copy_sqlite(source: Path, target: Path, where: str) -> None:
    """Copy a book page by page while others may write to it; the copy appears whole or not at all."""
    with new_file(target) as beside, spoken(where):
        reader = sqlite3.connect(f"{_address(source)}?mode=ro", uri=True, timeout=BUSY_S)
        writer = sqlite3.connect(beside)
        try:
            reader.backup(writer, pages=-1)
            writer.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
        finally:
            writer.close()
            reader.close()


def _address(path: Path) -> str:
    return "file:" + quote(str(path.absolute()))


def _look_at_file(path: Path, create: bool) -> None:
    """Refuse what is plainly no book, before the database touches it."""
    where = str(path)
    try:
        if path.is_dir():
            raise BookError(f"{where}: a folder; the book is a file, e.g. {path / 'book.sqlite'}")
        if not path.exists():
            if not create:
                raise BookError(f"{where}: there is no book yet; `book.record()` or `book.add()` begins one")
            path.parent.mkdir(parents=True, exist_ok=True)
            return
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(100)
    except OSError as error:
        raise BookError(f"{where}: cannot be read ({error.strerror}); choose another `book`") from error
    if size and head[:16] != _MAGIC[: len(head)]:
        # the first bytes may be what was damaged, so rescue is offered only where pages follow
        raise BookError(
            f"{where}: not a pliant book, or its first bytes are damaged; {_way_back(path)}; "
            f"`book.rescue()` saves what it finds"
        )
    if size >= 100 and not _written_ahead(path):
        page = int.from_bytes(head[16:18], "big")
        wants = (65536 if page == 1 else page) * int.from_bytes(head[28:32], "big")
        if size < wants:
            raise damaged(where, f"cut short: {size} of {wants} bytes")


def _written_ahead(path: Path) -> bool:
    """Whether SQLite's log beside a book holds something; whoever closes the book last takes the log away."""
    try:
        return path.with_name(path.name + "-wal").stat().st_size > 0
    except OSError:
        return False


def _way_back(path: Path) -> str:
    kept = backups_beside(path)
    return f"its backup is {kept[0]}" if kept else "restore it from a backup, or choose another `book`"


def _file_engine(path: Path, read_only: bool) -> Engine:
    # nobody can write here, so no log and no lock is needed, and SQLite must not try to make them
    frozen = read_only and not _written_ahead(path)
    mode = "?mode=ro&immutable=1" if frozen else "?mode=ro" if read_only else "?mode=rwc"
    address = _address(path) + mode

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(
            address, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False, cached_statements=256
        )
        try:
            for setting in _SETTINGS:
                connection.execute(f"PRAGMA {setting}")
        except BaseException:
            connection.close()
            raise
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("pliant_writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _prepare_file(book: Book, create: bool) -> None:
    with book.reading() as connection:
        mark = connection.exec_driver_sql("PRAGMA application_id").scalar()
        journal = connection.exec_driver_sql("PRAGMA journal_mode").scalar()
        form = form_of(connection, book.where)
    if form is not None and mark != APPLICATION_ID:
        raise BookError(f"{book.where}: a database, but not a pliant book; choose another `book`")
    if form == HEAD:
        if not book.read_only and journal != "wal":  # a backup that became the book
            _use_write_ahead_log(book)
        return
    if form is None and not create:
        raise BookError(f"{book.where}: an empty book; `book.record()` or `book.add()` begins one")
    if book.read_only:
        raise BookError(
            f"{book.where}: an older book in a place that can only be read; copy it where it can be updated"
        )
    _use_write_ahead_log(book)
    with book.writing() as connection:
        form = form_of(connection, book.where)  # again, now that nobody else can be doing the same
        if form == HEAD:
            return
        if form is not None and book.path is not None:
            copy_sqlite(book.path, _backup_name(book.path, form), book.where)
        upgrade(connection)
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")


def _backup_name(path: Path, form: str) -> Path:
    return path.with_name(f"{path.name}.form-{form}.{datetime.now(UTC):%Y%m%dT%H%M%S%f}.backup")


def _use_write_ahead_log(book: Book) -> None:
    raw = book.engine.raw_connection()
    try:
        deadline = time.monotonic() + BUSY_S
        while True:  # SQLite does not wait by itself while another process switches the same file
            try:
                raw.cursor().execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > deadline:
                    raise
                time.sleep(0.02)
    finally:
        raw.close()


def _open_server(location: str, create: bool) -> Book:
    engine, where = _server_engine(location)
    book = Book(engine, where, None)
    try:
        with spoken(where):
            with book.reading() as connection:
                form = form_of(connection, where)
            if form is None and not create:
                raise BookError(f"{where}: no book there yet; `book.record()` or `book.add()` begins one")
            if form != HEAD:
                _upgrade_server(book)
    except BaseException:
        book.close()
        raise
    return book


def _server_engine(location: str) -> tuple[Engine, str]:
    try:
        url = make_url(location)
        where = url.render_as_string(hide_password=True)
        engine = create_engine(url.set(drivername="postgresql+psycopg"), pool_pre_ping=True)
    except ModuleNotFoundError as error:
        raise BookError('a book on a PostgreSQL server needs one more part: pip install "pliant[postgres]"') from error
    except (ArgumentError, ValueError) as error:
        raise BookError("`book`: not an address; expected e.g. postgresql://user@host/name") from error
    return engine, where


def _upgrade_server(book: Book) -> None:
    with book.writing() as connection:
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _SERVER_LOCK})
        form = form_of(connection, book.where)
        if form == HEAD:
            return
        if form is not None:
            name = f"server.form-{form}.{datetime.now(UTC):%Y%m%dT%H%M%S%f}.jsonl"
            write_lines(connection, _data_folder() / name)
        try:
            upgrade(connection)
        except DBAPIError as error:
            raise BookError(f"{book.where}: could not be brought to form {HEAD}; nothing was changed") from error
