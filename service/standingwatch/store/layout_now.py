"""Whether the tables have the layout that this version works with, asked of a store that is in use."""

from __future__ import annotations

from alembic.runtime.migration import MigrationContext

from standingwatch.store.connect import Store, known_layouts


def layout_is_ours(store: Store) -> bool:
    """Whether every migration of this version is done, and none of a later one."""
    with store.reading() as connection:
        return MigrationContext.configure(connection).get_current_revision() == known_layouts()[-1]
