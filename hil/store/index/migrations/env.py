"""What Alembic runs: the migrations, within the transaction of the connection it is given."""

from alembic import context

from hil.store.index.migrations import VERSION_TABLE
from hil.store.index.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
