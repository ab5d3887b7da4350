"""The first form of the records."""

import sqlalchemy as sa
from alembic import op

from bandwright.workspace.tables import UtcTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create all tables."""
    op.create_table(
        "capture",
        sa.Column("key", sa.String(60), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("gateway", sa.String(60)),
        sa.Column("moment", sa.String(20)),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("exchanges", sa.JSON(), nullable=False),
        sa.Column("meta", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_capture"),
    )
    op.create_index("ix_capture_at", "capture", ["at"])
    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("capture_key", sa.String(60), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("mode", sa.String(10)),
        sa.Column("registration", sa.String(20)),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["capture_key"], ["capture.key"], name="fk_reading_capture_key"),
        sa.PrimaryKeyConstraint("id", name="pk_reading"),
    )
    op.create_index("ix_reading_at", "reading", ["at"])
    op.create_index("ix_reading_capture_key", "reading", ["capture_key"])
    op.create_table(
        "measurement",
        sa.Column("key", sa.String(60), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("method", sa.String(20), nullable=False),
        sa.Column("outcome", sa.String(10), nullable=False),
        sa.Column("phase", sa.String(20)),
        sa.Column("reason", sa.Text()),
        sa.Column("size", sa.String(10), nullable=False),
        sa.Column("setup_asked", sa.String(130)),
        sa.Column("setup_seen", sa.String(130)),
        sa.Column("moved", sa.Boolean(), nullable=False),
        sa.Column("ramping", sa.Boolean(), nullable=False),
        sa.Column("megabytes", sa.Float(), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=False),
        sa.Column("far_end", sa.String(120)),
        sa.Column("entered_by", sa.String(120)),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("captures", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_measurement"),
    )
    op.create_index("ix_measurement_at_setup_asked", "measurement", ["at", "setup_asked"])
    op.create_index("ix_measurement_setup_asked_at", "measurement", ["setup_asked", "at"])
    op.create_table(
        "measurement_value",
        sa.Column("measurement_key", sa.String(60), nullable=False),
        sa.Column("quantity", sa.String(60), nullable=False),
        sa.Column("value", sa.Float()),
        sa.Column("low", sa.Float()),
        sa.Column("high", sa.Float()),
        sa.Column("reason", sa.Text()),
        sa.ForeignKeyConstraint(["measurement_key"], ["measurement.key"], name="fk_measurement_value_measurement_key"),
        sa.PrimaryKeyConstraint("measurement_key", "quantity", name="pk_measurement_value"),
    )
    op.create_table(
        "measurement_series",
        sa.Column("measurement_key", sa.String(60), nullable=False),
        sa.Column("name", sa.String(60), nullable=False),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["measurement_key"], ["measurement.key"], name="fk_measurement_series_measurement_key"),
        sa.PrimaryKeyConstraint("measurement_key", "name", name="pk_measurement_series"),
    )
    op.create_table(
        "design",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("key", sa.String(60), nullable=False),
        sa.Column("start", UtcTime(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_design"),
        sa.UniqueConstraint("key", name="uq_design_key"),
    )
    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("campaign", sa.String(60), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("kind", sa.String(30), nullable=False),
        sa.Column("test", sa.String(60)),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_event"),
        sa.UniqueConstraint("test", name="uq_event_test"),
    )
    op.create_index("ix_event_campaign", "event", ["campaign"])


def downgrade() -> None:
    """Drop all tables, those that refer to others first."""
    for table in ("event", "design", "measurement_series", "measurement_value", "measurement", "reading", "capture"):
        op.drop_table(table)
