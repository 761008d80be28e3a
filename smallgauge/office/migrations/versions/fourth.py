"""Who took a parcel, apart from the events, and what a client said of files that are kept."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make both tables; no row is touched, and older events keep the names that they hold."""
    texts = {"receiver": ("name", "by"), "client_word": ("how", "by")}
    shorts = {"receiver": {"at": 20, "salt": 32}, "client_word": {"what": 10, "on": 10, "at": 20}}
    for table, names in texts.items():
        op.create_table(
            table,
            *(sa.Column(name, sa.Integer(), nullable=False) for name in ("id", "order")),
            *(sa.Column(name, sa.Text(), nullable=False) for name in names),
            *(sa.Column(name, sa.String(length), nullable=False) for name, length in shorts[table].items()),
            sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
            sa.ForeignKeyConstraint(["order"], ["client_order.number"], name=f"fk_{table}_order"),
        )
        op.create_index(f"ix_{table}_order", table, ["order"])
