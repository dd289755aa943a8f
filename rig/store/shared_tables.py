"""The tables on the server that benches share: those of the index that hold what was measured, and what was delivered.

Migrations make them (`rig/store/migrations`); a table or column that changes here or in the index wants one.
"""

import sqlalchemy as sa

from rig.store.index_tables import OF_A_RUN, reworks, runs, text_column

SHARED = sa.MetaData()
#: The newest migration: tables of another are not written to; by definition.
REVISION = "0001"

for table in (runs, *OF_A_RUN, reworks):
    table.to_metadata(SHARED)

#: Every file that a bench closed, in the order of its chain.
deliveries = sa.Table(
    "deliveries",
    SHARED,
    text_column("chain", is_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    text_column("bench"),
    text_column("closed_at"),
    #: Under `results/` of its bench, and under the place for files.
    text_column("path"),
    text_column("sha256"),
    #: SHA-256 of the file before it in the chain, as it says itself; empty: it is the first, or older than chains are.
    text_column("before_sha256"),
    #: Why nothing but its name came: it was lost, or changed, at its bench.
    text_column("lost"),
    sa.Column("delivered_at", sa.DateTime(timezone=True), nullable=False, server_default=sa.func.now()),
    sa.Index("deliveries_of_path", "path"),
)

#: Notes of captures that were taken out of a record; the newest of a run counts.
archived = sa.Table(
    "archived",
    SHARED,
    text_column("kit", is_key=True),
    text_column("serial", is_key=True),
    text_column("run", is_key=True),
    text_column("at", is_key=True),
    text_column("rule"),
    #: The file that they were packed into, as the bench named it; empty: they are gone for good.
    text_column("pack"),
    sa.Column("captures", sa.Integer, nullable=False),
)
