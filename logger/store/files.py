"""Opens database files: is it ours, is it of our version, may we write it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def migrate_here(path: Path) -> None:
    """Bring the schema of the database up to date in this process."""
    from sqlite_utils import Database

    from logger.store.schema import migrations

    db = Database(path)
    try:
        migrations.apply(db)
    finally:
        db.close()
