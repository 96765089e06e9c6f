"""What is kept but hidden, and who printed."""

from alembic import op
from sqlalchemy import Boolean, Column, String, Text

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_KEEPS = "the book only grows: a record is never changed or removed"


def upgrade() -> None:
    """Make a table and a column."""
    op.create_table(
        "retirements", Column("uid", String(16), primary_key=True, nullable=False),
        Column("made_at", String(27), nullable=False), Column("what", String(200), nullable=False),
        Column("which", String(200), nullable=False), Column("retired", Boolean, nullable=False),
        Column("note", Text), Column("digest", String(64), nullable=False),
    )  # fmt: skip
    op.create_index("retirements_made_at", "retirements", ["made_at", "uid"])
    op.create_index("retirements_which", "retirements", ["which", "made_at"])
    op.add_column("prints", Column("printed_by", String(200)))
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE TRIGGER retirements_keep BEFORE UPDATE OR DELETE ON retirements "
            "FOR EACH ROW EXECUTE FUNCTION pliant_keep()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER retirements_keep_{verb.lower()} BEFORE {verb} ON retirements "
            f"BEGIN SELECT RAISE(ABORT, '{_KEEPS}'); END"
        )
