"""How many planned items were deselected: NULL until a record is read again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision: str | None = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("runs", sa.Column("deselected", sa.Integer))


def downgrade() -> None:
    """Take it away."""
    op.drop_column("runs", "deselected")
