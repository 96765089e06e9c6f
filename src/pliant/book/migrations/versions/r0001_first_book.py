"""The first book: machines, filaments, recipes, programs, findings, prints and outcomes.

A step is history: it is never edited once a book made with it exists, and therefore imports none of today's tables.
"""

from alembic import op
from sqlalchemy import BigInteger, Column, Double, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.sql.schema import CheckConstraint

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_KEEPS = "the book only grows: a record is never changed or removed"


def upgrade() -> None:
    """Make the tables."""
    versioned = ("machines", "filaments")
    for table in versioned:
        op.create_table(
            table, *_head(), *_name_version(), Column("record", Text, nullable=False), Column("text", Text),
            _digest(), UniqueConstraint("name", "version", name=f"one_{table}"),
        )  # fmt: skip
    op.create_table(
        "recipes", *_head(), *_name_version(), Column("record", Text, nullable=False), Column("note", Text),
        _to("recipes", "based_on"), _digest(), UniqueConstraint("name", "version", name="one_recipes"),
    )  # fmt: skip
    op.create_table(
        "programs", *_head(), Column("name", String(200), nullable=False), Column("sha256", String(64), nullable=False),
        Column("size_bytes", BigInteger), Column("lines", BigInteger), _digest(),
        UniqueConstraint("sha256", name="one_programs"),
    )  # fmt: skip
    op.create_table(
        "findings", *_head(), _to("programs", "program", False), _to("machines", "machine", False),
        _to("filaments", "filament", False), Column("verdict", String(200), nullable=False),
        Column("jam_probability", Double, nullable=False), Column("mechanism", String(200), nullable=False),
        Column("record", Text, nullable=False), _digest(),
    )  # fmt: skip
    op.create_table(
        "prints", *_head(), _to("machines", "machine", False), _to("filaments", "filament", False),
        _to("programs", "program"), _to("recipes", "recipe"), _to("findings", "finding"),
        Column("printed_at", String(27)), _digest(),
    )  # fmt: skip
    op.create_table(
        "outcomes", *_head(), _to("prints", "print", False), Column("version", BigInteger, nullable=False),
        Column("outcome", String(200), nullable=False), Column("at_line", BigInteger), Column("at_time_s", Double),
        Column("note", Text), _digest(), UniqueConstraint("print", "version", name="one_outcomes"),
        CheckConstraint("outcome IN ('ok', 'jammed', 'stopped', 'not-sure')", name="outcome_word"),
    )  # fmt: skip
    indexed = {
        "recipes": ("based_on",),
        "findings": ("program", "machine", "filament"),
        "prints": ("machine", "filament", "program", "recipe", "finding"),
    }
    tables = ("machines", "filaments", "recipes", "programs", "findings", "prints", "outcomes")
    for table in tables:
        op.create_index(f"{table}_made_at", table, ["made_at", "uid"])
        for column in indexed.get(table, ()):
            op.create_index(f"{table}_{column}", table, [column])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION pliant_keep() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_KEEPS}'; END $$"
        )
    for table in tables:
        _keep(table)


def _head() -> tuple[Column, Column]:
    return Column("uid", String(16), primary_key=True, nullable=False), Column("made_at", String(27), nullable=False)


def _name_version() -> tuple[Column, Column]:
    return Column("name", String(200), nullable=False), Column("version", BigInteger, nullable=False)


def _digest() -> Column:
    return Column("digest", String(64), nullable=False)


def _to(table: str, name: str, nullable: bool = True) -> Column:
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
