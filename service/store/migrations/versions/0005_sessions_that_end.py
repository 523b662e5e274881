"""Staff's sessions as rows, so that signing out ends one on the server"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "staff_sessions",
        sa.Column("staff_id", sa.Uuid(), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(["staff_id"], ["staff.id"], name=op.f("fk_staff_sessions_staff_id_staff")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staff_sessions")),
    )
    op.create_index(op.f("ix_staff_sessions_staff_id"), "staff_sessions", ["staff_id"])


def downgrade() -> None:
    op.drop_index(op.f("ix_staff_sessions_staff_id"), "staff_sessions")
    op.drop_table("staff_sessions")
