"""Keep what came back and could not be taken in, so that it can be taken in again"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "heard_aside",
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_heard_aside")),
    )


def downgrade() -> None:
    op.drop_table("heard_aside")
