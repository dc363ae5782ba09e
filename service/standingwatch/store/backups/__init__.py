"""Backups of the store: made while the service runs, looked at, and put back."""

from standingwatch.store.backups.file import BackupError, Manifest, look_at
from standingwatch.store.backups.make import make_backup
from standingwatch.store.backups.restoring import Restored, restore

__all__ = ["BackupError", "Manifest", "Restored", "look_at", "make_backup", "restore"]
