"""The order in which jobs of the queue are done, and what was ordered beside the transfer."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make both tables; no row is touched."""
    op.create_table(
        "turn",
        sa.Column("job", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_turn"),
        sa.ForeignKeyConstraint(["job"], ["job.id"], name="fk_turn_job"),
    )
    op.create_table(
        "extra",
        sa.Column("order", sa.Integer(), nullable=False),
        sa.Column("reel", sa.String(13), nullable=False),
        sa.Column("what", sa.String(40), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("consent", sa.Integer(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", sa.String(20), nullable=False),
        sa.PrimaryKeyConstraint("order", "reel", "what", name="pk_extra"),
        sa.ForeignKeyConstraint(["order"], ["client_order.number"], name="fk_extra_order"),
    )
