"""What a program asks of the feed path, kept with the program so that its prints are evidence; an outcome's layer."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, String, Text, UniqueConstraint

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_KEEPS = "the book only grows: a record is never changed or removed"


def upgrade() -> None:
    """Make a table and a column."""
    op.create_table(
        "courses", Column("uid", String(16), primary_key=True, nullable=False),
        Column("made_at", String(27), nullable=False), _to("programs", "program"), _to("machines", "machine"),
        _to("filaments", "filament"), Column("record", Text, nullable=False),
        Column("digest", String(64), nullable=False),
        UniqueConstraint("program", "machine", "filament", name="one_courses"),
    )  # fmt: skip
    op.create_index("courses_made_at", "courses", ["made_at", "uid"])
    for column in ("program", "machine", "filament"):
        op.create_index(f"courses_{column}", "courses", [column])
    op.add_column("outcomes", Column("at_layer", BigInteger))
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE TRIGGER courses_keep BEFORE UPDATE OR DELETE ON courses FOR EACH ROW EXECUTE FUNCTION pliant_keep()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER courses_keep_{verb.lower()} BEFORE {verb} ON courses "
            f"BEGIN SELECT RAISE(ABORT, '{_KEEPS}'); END"
        )


def _to(table: str, name: str) -> Column:
    return Column(name, String(16), ForeignKey(f"{table}.uid", deferrable=True, initially="DEFERRED"), nullable=False)
