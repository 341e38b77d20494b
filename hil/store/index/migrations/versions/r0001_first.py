"""The first tables: runs, their items, series and their figures."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision: str | None = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("run", sa.Text, nullable=False, unique=True),
        sa.Column("machine", sa.Text, nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("utc", sa.Text, nullable=False),
        sa.Column("at", sa.BigInteger, nullable=False),
        sa.Column("ended", sa.Text, nullable=False),
        sa.Column("rig", sa.Text, nullable=False),
        sa.Column("evidence", sa.Text, nullable=False),
        sa.Column("plan", sa.Text, nullable=False),
        sa.Column("build", sa.Text, nullable=False),
        sa.Column("commit_id", sa.Text, nullable=False),
        sa.Column("limits_print", sa.Text, nullable=False),
        sa.Column("plan_print", sa.Text, nullable=False),
        sa.Column("rig_print", sa.Text, nullable=False),
        sa.Column("end_reason", sa.Text, nullable=False),
        sa.Column("passed", sa.Integer, nullable=False),
        sa.Column("failed", sa.Integer, nullable=False),
        sa.Column("undecided", sa.Integer, nullable=False),
        sa.Column("bench_fault", sa.Integer, nullable=False),
        sa.Column("not_run", sa.Integer, nullable=False),
        sa.Column("interrupted", sa.Integer, nullable=False),
        sa.Column("never_begun", sa.Integer, nullable=False),
        sa.Column("measures", sa.Integer, nullable=False),
        sa.Column("record_bytes", sa.BigInteger, nullable=False),
        sa.Column("record_sha256", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("state_reason", sa.Text, nullable=False),
    )
    op.create_table(
        "items",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column(
            "run_id", sa.Integer, sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False
        ),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("item", sa.Text, nullable=False),
        sa.Column("plan", sa.Text, nullable=False),
        sa.Column("scenario", sa.Text, nullable=False),
        sa.Column("verdict", sa.SmallInteger, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("utc", sa.Text, nullable=False),
        sa.Column("at", sa.BigInteger, nullable=False),
        sa.UniqueConstraint("run_id", "position", name="items_once"),
    )
    op.create_table(
        "series",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("rig", sa.Text, nullable=False),
        sa.Column("evidence", sa.Text, nullable=False),
        sa.Column("plan", sa.Text, nullable=False),
        sa.Column("item", sa.Text, nullable=False),
        sa.Column("measure", sa.Text, nullable=False),
        sa.Column("unit", sa.Text, nullable=False),
        sa.UniqueConstraint(
            "rig", "evidence", "plan", "item", "measure", "unit", name="series_once"
        ),
    )
    op.create_table(
        "figures",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
        sa.Column("series_id", sa.Integer, sa.ForeignKey("series.id"), nullable=False),
        sa.Column(
            "item_id", sa.Integer, sa.ForeignKey("items.id", ondelete="CASCADE"), nullable=False
        ),
        sa.Column("repeat", sa.Integer, nullable=False),
        sa.Column("value", sa.Double),
        sa.Column("uncertainty", sa.Double),
        sa.Column("low", sa.Double),
        sa.Column("high", sa.Double),
        sa.Column("verdict", sa.SmallInteger, nullable=False),
        sa.Column("outcome", sa.SmallInteger, nullable=False),
    )
    op.create_index("runs_by_time", "runs", ["rig", "evidence", "at"])
    op.create_index("figures_by_series", "figures", ["series_id"])
    op.create_index("figures_by_item", "figures", ["item_id"])


def downgrade() -> None:
    """Take the tables away."""
    for name in ("figures", "series", "items", "runs"):
        op.drop_table(name)
