"""Steps from each older form of the book to the next, run by alembic; see `pliant.book.open_book`."""

__all__: list[str] = []
