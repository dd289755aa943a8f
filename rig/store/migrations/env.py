"""Where alembic begins: on the connection that `rig.store.store_making` gives it."""

from alembic import context

from rig.store.shared_tables import SHARED

context.configure(connection=context.config.attributes["connection"], target_metadata=SHARED)
with context.begin_transaction():
    context.run_migrations()
