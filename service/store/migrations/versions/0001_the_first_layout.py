"""The first layout: every table as `store.tables` has it.

Until 1.0.0 there is no installation to bring forward, so a change of the tables is a change
of this layout, and saying them a second time here would prove nothing. At 1.0.0 it is written
out, as Alembic's autogenerate spells it against an empty database, and from then on stays as
it is: every change is a migration that adds (a test asks for both).
"""

from __future__ import annotations

from alembic import op

from service.store.migrations import roles
from service.store.tables import Base

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    Base.metadata.create_all(op.get_bind(), checkfirst=False)
    if op.get_bind().dialect.name == "postgresql":
        roles.build_functions(op.get_bind())


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        roles.drop_functions(op.get_bind())
    Base.metadata.drop_all(op.get_bind(), checkfirst=False)
