"""The first layout.

Until 1.0.0 there is no installation to bring forward, so a change of the tables is a change of this layout, and
saying them a second time here would prove nothing. `deploy/freeze` writes it out for a release (`migrations.frozen`);
from then on it stays as it is, and every change is a migration that adds. A test asks for both.
"""

from __future__ import annotations

from alembic import op

from service.store.migrations import frozen, monthly, roles
from service.store.tables import Base

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    connection = op.get_bind()
    if frozen.file_of(connection.dialect.name).exists():
        frozen.run(connection)
        return
    Base.metadata.create_all(connection, checkfirst=False)
    if connection.dialect.name == "postgresql":
        roles.build_functions(connection)
        monthly.build(connection)
        monthly.lay_out(connection)
