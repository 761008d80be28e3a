"""The index that the list of reels in the shop goes by."""

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it; no row is touched."""
    op.create_index("ix_reel_state_number", "reel", ["state", "number"])
