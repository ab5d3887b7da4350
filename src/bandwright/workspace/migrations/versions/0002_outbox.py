"""What a hub has acknowledged."""

import sqlalchemy as sa
from alembic import op

from bandwright.workspace.tables import UtcTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the two tables of the outbox."""
    op.create_table(
        "outbox_batch",
        sa.Column("sequence", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("key", sa.String(36), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("body", sa.LargeBinary()),
        sa.Column("records", sa.JSON()),
        sa.PrimaryKeyConstraint("sequence", name="pk_outbox_batch"),
    )
    op.create_table(
        "outbox_sent",
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("key", sa.String(80), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text()),
        sa.PrimaryKeyConstraint("kind", "key", name="pk_outbox_sent"),
    )
    op.create_index("ix_outbox_sent_sequence", "outbox_sent", ["sequence"])


def downgrade() -> None:
    """Drop them."""
    op.drop_table("outbox_sent")
    op.drop_table("outbox_batch")
