"""Keys of sites and units are one whatever their case, accents' form or dash.

Where an older store holds keys that are alike, all stay: the first has the folded form, the others none."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

# Not copied: what is stored must be what the code compares with. Should that form change, a later migration
# folds all keys again.
from data_tools.keys import folded_key

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for name in ("sites", "units"):
        # No batch: SQLite would make the table anew, to which others point.
        op.add_column(name, sa.Column("folded", sa.String(length=255), nullable=True))
        _fold(name)
        op.create_index(op.f(f"ix_{name}_folded"), name, ["folded"], unique=True)


def _fold(name: str) -> None:
    table = sa.table(name, sa.column("id"), sa.column("key"), sa.column("folded"))
    connection = op.get_bind()
    taken: set[str] = set()
    for row in connection.execute(sa.select(table.c.id, table.c.key).order_by(table.c.id)).all():
        folded = folded_key(row.key)
        if folded not in taken:
            connection.execute(sa.update(table).where(table.c.id == row.id).values(folded=folded))
        taken.add(folded)


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
