"""The queue."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table of jobs, and the indexes that long lists need."""
    text = ("shelf", "reel", "capture", "asked_by", "host", "began", "words")
    short = {"state": 10, "asked_at": 20, "ended_at": 20}
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=False) for name in text),
        *(sa.Column(name, sa.String(length), nullable=False) for name, length in short.items()),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("process", "tries")),
        sa.PrimaryKeyConstraint("id", name="pk_job"),
    )
    for column in ("reel", "state"):
        op.create_index(f"ix_job_{column}", "job", [column])
