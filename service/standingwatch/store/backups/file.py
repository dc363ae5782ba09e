"""The file of a backup: a zip with the data of the database and a manifest that tells what they are.

The name is given to it only once all of it is on the disk. Until then it is FILE.part, under a lock, so that
two backups to one name never write into each other.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import msgspec

FORMAT = "standingwatch-backup"
FORMAT_VERSION = 1
MANIFEST = "manifest.json"

#: So much is moved at a time [B].
PIECE_BYTES = 1 << 20

#: No manifest is as long as this [B]: rows of some dozens of tables.
_LONGEST_MANIFEST_BYTES = 1_000_000

Progress = Callable[[int], None]


class BackupError(Exception):
    """A backup cannot be made, read or put back; the text says why and what to do."""


class Manifest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a backup is.

    Attributes:
        format, format_version: of the file itself.
        version: of the program that made it.
        layout: of the tables.
        database: `sqlite` or `postgresql`.
        database_version: of the database that it was taken from.
        schema: PostgreSQL's schema that holds the tables; "" for SQLite.
        made_us: what was committed by then is in it [Unix microseconds].
        newest_reading_us: time of the newest reading [Unix microseconds]; None without any.
        rows: how many each table has.
        member: name of the data within the file.
        data_bytes: size of the data [B].
        sha256: of the data, as hexadecimal digits.
    """

    format: str
    format_version: int
    version: str
    layout: str
    database: str
    database_version: str
    schema: str
    made_us: int
    newest_reading_us: int | None
    rows: dict[str, int]
    member: str
    data_bytes: int
    sha256: str

    @property
    def all_rows(self) -> int:
        """Rows of all tables."""
        return sum(self.rows.values())


@dataclass(frozen=True)
class Written:
    """Data that went into a backup or came out of it: size [B] and SHA-256."""

    data_bytes: int
    sha256: str


def pump(source: Callable[[int], bytes], write: Callable[[bytes], object], progress: Progress) -> Written:
    """Move all that a source gives, and tell what it was.

    Args:
        source: gives at most so many bytes at a time, none at its end.
        write: takes them.
        progress: told how many bytes were moved, each once.
    """
    digest, moved = hashlib.sha256(), 0
    while piece := source(PIECE_BYTES):
        digest.update(piece)
        write(piece)
        moved += len(piece)
        progress(len(piece))
    return Written(moved, digest.hexdigest())


@dataclass(frozen=True)
class Draft:
    """A backup that is being written.

    Attributes:
        archive: the zip.
        scratch: a file beside it that may be used meanwhile; gone afterwards.
    """

    archive: zipfile.ZipFile
    scratch: Path


@contextmanager
def drafted(file: Path) -> Iterator[Draft]:
    """A backup under its name only once it is whole; what was left by one that was killed is taken away.

    Raises:
        BackupError: if the file is there and no backup of ours, another backup to it is under way, or the
            disk refuses.
    """
    if file.exists() and not _is_ours(file):
        raise BackupError(f"{file}: is there already, and is no backup; choose another name")
    part, scratch = file.with_name(file.name + ".part"), file.with_name(file.name + ".part.data")
    try:
        descriptor = os.open(part, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise cannot_write(file, error) from error
    try:
        _lock(descriptor, part, file)
        # Nobody but us has it now: what is in it was left by one that was killed.
        _remove_scratch(scratch)
        os.ftruncate(descriptor, 0)
        try:
            with os.fdopen(os.dup(descriptor), "r+b") as stream:
                with zipfile.ZipFile(stream, "w", allowZip64=True) as archive:
                    yield Draft(archive, scratch)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(part, file)
            sync_folder(file)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise cannot_write(file, error) from error
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        finally:
            _remove_scratch(scratch)
    finally:
        os.close(descriptor)


def _lock(descriptor: int, part: Path, file: Path) -> None:
    busy = BackupError(f"{file}: another backup to this name is under way; wait for its end")
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise busy from None
    # Between our opening and our lock the other may have finished: then what we hold is its whole backup.
    if not part.exists() or not os.path.samestat(part.stat(), os.fstat(descriptor)):
        raise busy


def _remove_scratch(scratch: Path) -> None:
    for ending in ("", "-journal", "-wal", "-shm"):
        scratch.with_name(scratch.name + ending).unlink(missing_ok=True)


def _is_ours(file: Path) -> bool:
    """Whether it is a backup, whole or not: one that may be replaced by a newer one."""
    try:
        with zipfile.ZipFile(file) as archive:
            return MANIFEST in archive.namelist()
    except (zipfile.BadZipFile, OSError):
        return False


def cannot_write(file: Path, error: OSError) -> BackupError:
    """What to tell when the disk refuses."""
    return BackupError(
        f"{file}: cannot be written: {error.strerror or error}; check that its folder exists, may be "
        "written, and has room for the store once more"
    )


def sync_folder(file: Path) -> None:
    """Have the name of a file survive a loss of power."""
    descriptor = os.open(file.resolve().parent, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_manifest(archive: zipfile.ZipFile, manifest: Manifest) -> None:
    """Put the manifest in, after the data that it tells of."""
    body = msgspec.json.format(msgspec.json.encode(manifest), indent=2)
    archive.writestr(MANIFEST, body, zipfile.ZIP_STORED)


@contextmanager
def opened(file: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """A backup and its manifest; the data are not looked at yet.

    Raises:
        BackupError: if it is none, is not whole, or was made by a later version in a form of its own.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            yield archive, _manifest(file, archive)
    except zipfile.BadZipFile as error:
        raise BackupError(f"{file}: is no backup, or is not whole ({error}); take another one") from error
    except OSError as error:
        raise BackupError(
            f"{file}: cannot be read: {error.strerror or error}; give a file that `standingwatch backup` made"
        ) from error


def _manifest(file: Path, archive: zipfile.ZipFile) -> Manifest:
    try:
        entry = archive.getinfo(MANIFEST)
    except KeyError:
        raise BackupError(f"{file}: is no backup: no {MANIFEST} is in it") from None
    if entry.file_size > _LONGEST_MANIFEST_BYTES:
        raise BackupError(f"{file}: is no backup: its {MANIFEST} has {entry.file_size} B")
    body = archive.read(entry)
    try:
        head = msgspec.json.decode(body, type=dict[str, object])
        later = head.get("format") == FORMAT and head.get("format_version") != FORMAT_VERSION
        if later:
            raise BackupError(
                f"{file}: is a backup of form {head['format_version']} by version {head.get('version')}, and "
                f"this version reads form {FORMAT_VERSION}; use the version that made it, or a later one"
            )
        manifest = msgspec.json.decode(body, type=Manifest)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise BackupError(f"{file}: its {MANIFEST} cannot be read: {error}") from error
    if manifest.format != FORMAT or manifest.member not in archive.namelist():
        raise BackupError(f"{file}: is no backup: its data are missing")
    return manifest


def take_out(
    file: Path,
    archive: zipfile.ZipFile,
    manifest: Manifest,
    write: Callable[[bytes], object],
    progress: Progress,
) -> None:
    """Hand the data over, piece by piece.

    Raises:
        BackupError: at their end, if they are not those that the manifest tells of.
    """
    try:
        with archive.open(manifest.member) as stream:
            got = pump(stream.read, write, progress)
    except (zipfile.BadZipFile, EOFError, zlib.error) as error:
        raise BackupError(f"{file}: is damaged ({error}); take another one") from error
    if got != Written(manifest.data_bytes, manifest.sha256):
        raise BackupError(
            f"{file}: is damaged: its data have the SHA-256 {got.sha256} and {got.data_bytes} B, and were "
            f"written with {manifest.sha256} and {manifest.data_bytes} B; take another one"
        )


def look_at(file: Path, progress: Progress = lambda _bytes: None) -> Manifest:
    """Read a backup whole, and hold its data to its checksum.

    Raises:
        BackupError: if it is none, or is damaged.
    """
    with opened(file) as (archive, manifest):
        take_out(file, archive, manifest, lambda _piece: None, progress)
    return manifest
