"""The book: machines, filaments, recipes, programs, findings, prints and what came of them.

It only grows: a record is never changed, a newer version or a later outcome stands beside the older one. `fields` says
what each kind of record holds and what is nonsense, `schema` makes tables of it, `open_book` opens, migrates and words
the faults of a file, `records` writes, `look` reads, `transfer` moves whole books. Start reading at `fields`.

Nothing is imported here, so that the rest of pliant can ask for one part without loading the database.
"""

__all__: list[str] = []
