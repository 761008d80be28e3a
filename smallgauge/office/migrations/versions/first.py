"""The book as it was first made."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

ONLY_ADDED = "events of the book are only ever added"


def _text(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Text(), nullable=False) for name in names]


def _short(length: int, *names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.String(length), nullable=False) for name in names]


def _whole(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Integer(), nullable=False) for name in names]


def _key(table: str, *names: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*names, name=f"pk_{table}")


def _of_order(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["order"], ["client_order.number"], name=f"fk_{table}_order")


def _of_reel(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["reel"], ["reel.number"], name=f"fk_{table}_reel")


def upgrade() -> None:
    """Make all tables, and let nobody alter or remove an event."""
    _tables_of_orders()
    _tables_of_reels()
    op.create_table(
        "event",
        *_whole("seq"),
        *_short(20, "at"),
        *_text("by"),
        *_short(30, "what"),
        *_whole("order"),
        *_short(13, "reel"),
        *_text("words", "rows"),
        *_short(64, "before", "digest"),
        _key("event", "seq"),
    )
    op.create_table("head", *_whole("id", "count"), *_short(64, "digest"), _key("head", "id"))
    indexed = {
        "client_order": ["client_id"],
        "reel": ["order", "state"],
        "condition": ["reel"],
        "hold": ["reel"],
        "consent": ["order"],
        "verdict": ["reel"],
        "event": ["order", "reel"],
    }
    for table, columns in indexed.items():
        for column in columns:
            op.create_index(f"ix_{table}_{column}", table, [column])
    _only_added()


def _only_added() -> None:
    """Let nobody alter or remove an event, in the way of either database."""
    raising = f"BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED}'); END"
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"CREATE FUNCTION event_refuse() RETURNS trigger AS $$ BEGIN RAISE EXCEPTION '{ONLY_ADDED}'; END $$ "
            "LANGUAGE plpgsql"
        )
        raising = "FOR EACH ROW EXECUTE FUNCTION event_refuse()"
    for verb in ("UPDATE", "DELETE"):
        op.execute(f"CREATE TRIGGER event_no_{verb.lower()} BEFORE {verb} ON event {raising}")


def _tables_of_orders() -> None:
    op.create_table(
        "client",
        *_whole("id"),
        *_text("name", "reach"),
        *_short(10, "delete_on"),
        *_short(32, "salt"),
        _key("client", "id"),
    )
    op.create_table(
        "client_order",
        *_whole("number", "client_id"),
        *_short(20, "came_at"),
        *_text("signed_by"),
        *_short(10, "promised_on", "keep_until"),
        _key("client_order", "number"),
    )
    op.create_table(
        "counted",
        *_whole("order"),
        *_short(20, "kind"),
        *_whole("came", "went"),
        _key("counted", "order", "kind"),
        _of_order("counted"),
    )
    op.create_table(
        "consent",
        *_whole("id", "order"),
        *_short(20, "at"),
        *_text("to", "given_by"),
        *_short(20, "how"),
        *_text("read_back_by"),
        _key("consent", "id"),
        _of_order("consent"),
    )


def _tables_of_reels() -> None:
    op.create_table(
        "reel",
        *_short(13, "number"),
        *_whole("order"),
        *_short(20, "gauge"),
        *_text("box_words", "forbids", "decides"),
        *_short(20, "feet_from", "feet_to", "state"),
        *_text("place"),
        _key("reel", "number"),
        _of_order("reel"),
    )
    op.create_table(
        "condition",
        *_whole("id"),
        *_short(13, "reel"),
        *_short(20, "at"),
        *_text("by"),
        *_short(30, "subject"),
        *_text("seen"),
        _key("condition", "id"),
        _of_reel("condition"),
    )
    op.create_table(
        "hold",
        *_whole("id"),
        *_short(13, "reel"),
        *_short(5, "kind"),
        *_text("why", "lifter"),
        *_short(20, "placed_at"),
        *_text("placed_by"),
        *_short(20, "lifted_at"),
        *_text("lifted_why"),
        _key("hold", "id"),
        _of_reel("hold"),
    )
    op.create_table(
        "verdict",
        *_whole("id"),
        *_short(13, "reel"),
        *_short(20, "at"),
        *_text("by"),
        *_short(20, "verdict"),
        *_text("seen"),
        _key("verdict", "id"),
        _of_reel("verdict"),
    )
