"""Mended files, coupons and fits; a print says which mended file it was.

Old prints keep their checksums, since a field that is not given is left out of them.
"""

from alembic import op
from sqlalchemy import Boolean, Column, ForeignKey, String, Text

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_KEEPS = "the book only grows: a record is never changed or removed"


def upgrade() -> None:
    """Make three tables and one column."""
    op.create_table(
        "mended", *_head(), _to("programs", "source"), _to("programs", "result"), _to("machines", "machine"),
        _to("filaments", "filament"), Column("certified", Boolean, nullable=False),
        Column("record", Text, nullable=False), _digest(),
    )  # fmt: skip
    op.create_table(
        "coupons", *_head(), _to("machines", "machine"), _to("filaments", "filament"),
        Column("piece", String(200), nullable=False), Column("record", Text, nullable=False), Column("note", Text),
        _digest(),
    )  # fmt: skip
    op.create_table(
        "fits", *_head(), _to("machines", "machine"), _to("filaments", "filament"),
        _to("coupons", "coupon", nullable=True), Column("record", Text, nullable=False), _digest(),
    )  # fmt: skip
    # written out, because the usual call cannot add a reference to an SQLite table
    op.execute("ALTER TABLE prints ADD COLUMN mended VARCHAR(16) REFERENCES mended (uid) DEFERRABLE INITIALLY DEFERRED")
    op.create_index("prints_mended", "prints", ["mended"])
    indexed = {
        "mended": ("source", "result", "machine", "filament"),
        "coupons": ("machine", "filament"),
        "fits": ("machine", "filament", "coupon"),
    }
    for table, columns in indexed.items():
        op.create_index(f"{table}_made_at", table, ["made_at", "uid"])
        for column in columns:
            op.create_index(f"{table}_{column}", table, [column])
        _keep(table)


def _head() -> tuple[Column, Column]:
    return Column("uid", String(16), primary_key=True, nullable=False), Column("made_at", String(27), nullable=False)


def _digest() -> Column:
    return Column("digest", String(64), nullable=False)


def _to(table: str, name: str, nullable: bool = False) -> Column:
    key = ForeignKey(f"{table}.uid", deferrable=True, initially="DEFERRED")
    return Column(name, String(16), key, nullable=nullable)


def _keep(table: str) -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"CREATE TRIGGER {table}_keep BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pliant_keep()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_keep_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{_KEEPS}'); END"
        )
