"""Built as people get it, put into a root of its own, brought up to date, undone and taken away again."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from standingwatch import __version__
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.cli.main import build_parser
from standingwatch.detect.words import Condition
from standingwatch.notify.file import FileChannel
from standingwatch.settings import load_settings
from standingwatch.store.outbox import Message

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
UNIT = DEPLOY / "systemd" / "standingwatch.service"
NIGHTLY = ("standingwatch-backup.service", "standingwatch-backup.timer")


def run(*words: str | Path, **environ: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(word) for word in words],
        env={**os.environ, **environ},
        capture_output=True,
        text=True,
        timeout=120,
    )


def tool(name: str) -> str:
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        pytest.fail(f"{name} is not installed; tests/run installs what the tests need")
    return found


def build(source: Path, folder: Path, *what: str) -> None:
    """Build with the backend itself: what it needs is here already, so that no network is asked."""
    words = [sys.executable, "-m", "hatchling", "build", "-d", str(folder), *what]
    done = subprocess.run(words, cwd=source, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the sdist of this checkout."""
    folder = tmp_path_factory.mktemp("dist")
    build(ROOT, folder)
    return folder


def names_in(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_the_wheel_has_all_of_the_package_and_nothing_else(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    source = ROOT / "service"
    wanted = {
        str(path.relative_to(source))
        for path in (source / "standingwatch").rglob("*")
        # Caches of tools begin with a dot.
        if path.is_file() and not any(p == "__pycache__" or p.startswith(".") for p in path.parts)
    }
    found = {name for name in names_in(wheel) if ".dist-info/" not in name}
    assert found == wanted
    assert "standingwatch/web/templates/frame.html" in found
    assert "standingwatch/store/migrations/versions/0001_first.py" in found


def test_the_sdist_builds_the_same_wheel(built: Path, tmp_path: Path) -> None:
    (sdist,) = built.glob("*.tar.gz")
    # By the program: Python's own way to do it safely came with 3.11.4, and Debian has an older one.
    done = run(tool("tar"), "-xzf", sdist, "-C", tmp_path)
    assert done.returncode == 0, done.stderr
    (source,) = tmp_path.iterdir()
    for needed in ("deploy/install.sh", "deploy/constraints.txt", "config/standingwatch.toml", "tests/run"):
        assert (source / needed).is_file(), needed
    assert not list(source.rglob("node_modules"))
    build(source, tmp_path / "again", "-t", "wheel")
    (ours,) = built.glob("*.whl")
    (theirs,) = (tmp_path / "again").glob("*.whl")
    assert names_in(theirs) == names_in(ours)


# The unit -----------------------------------------------------------------------------------------------


def unit_in(root: Path) -> Path:
    """The unit in a root where its program is a file that can be run."""
    place = root / "etc/systemd/system/standingwatch.service"
    place.parent.mkdir(parents=True)
    for name in (UNIT.name, *NIGHTLY):
        shutil.copy(DEPLOY / "systemd" / name, place.parent)
    program = root / "opt/standingwatch/current/bin/standingwatch"
    program.parent.mkdir(parents=True)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    return place


def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    unit_in(tmp_path)
    # Units that it names and that this root has not are no mistake of ours.
    words = (tool("systemd-analyze"), "verify", "--man=no", f"--root={tmp_path}", UNIT.name, *NIGHTLY)
    done = run(*words)
    ours = [line for line in done.stderr.splitlines() if "standingwatch" in line]
    assert [line for line in ours if "not found" not in line] == []
    # Were a line of it wrong, it would be told.
    place = tmp_path / "etc/systemd/system/standingwatch.service"
    place.write_text(place.read_text().replace("Type=notify", "Type=notifying"))
    assert "Failed to parse service type" in run(*words).stderr
    timer = place.parent / NIGHTLY[1]
    timer.write_text(timer.read_text().replace("01:30:00", "25:30:00"))
    assert "Failed to parse calendar specification" in run(*words).stderr


def test_the_unit_is_hardened(tmp_path: Path) -> None:
    # The threshold is ten times the exposure: at most 1.9.
    words = (tool("systemd-analyze"), "security", "--offline=true", "--no-pager", "--threshold=19")
    for unit in (UNIT, DEPLOY / "systemd" / NIGHTLY[0]):
        done = run(*words, unit)
        assert done.returncode == 0, done.stdout + done.stderr
        assert f"Overall exposure level for {unit.name}: 1." in done.stdout
    bare = tmp_path / "standingwatch.service"
    bare.write_text("[Service]\nExecStart=/bin/true\n")
    assert run(*words, bare).returncode == 1


def test_the_command_of_the_night_is_one_that_there_is() -> None:
    text = (DEPLOY / "systemd" / NIGHTLY[0]).read_text()
    (command,) = re.findall(
        r"^ExecStart=/opt/standingwatch/current/bin/standingwatch (.+)$", text, re.MULTILINE
    )
    said = build_parser().parse_args(command.split())
    folder = said.words[0]
    assert (said.words, said.keep) == (["/var/backups/standingwatch"], 14)
    # The unit may write there, and an install makes it for the service's user.
    assert f"\nReadWritePaths={folder}\n" in text
    folders = (DEPLOY / "systemd" / "tmpfiles.conf").read_text()
    assert re.search(rf"^d {folder} +0750 standingwatch standingwatch -$", folders, re.MULTILINE)


def test_the_watchdog_waits_as_long_as_livez(tmp_path: Path) -> None:
    from standingwatch.notify.readiness import STILL_S

    assert f"WatchdogSec={STILL_S:.0f}\n" in UNIT.read_text()


# Rotation -----------------------------------------------------------------------------------------------


def test_the_file_of_alarms_is_rotated_without_a_loss(tmp_path: Path) -> None:
    file, settings = tmp_path / "alarms.jsonl", tmp_path / "logrotate.conf"
    text = (DEPLOY / "systemd" / "logrotate.conf").read_text()
    assert "/var/lib/standingwatch/alarms.jsonl {" in text
    # The same, of a file here and of whoever runs the tests.
    text = text.replace("/var/lib/standingwatch/alarms.jsonl", str(file))
    settings.write_text(text.replace("    su standingwatch standingwatch\n", ""))
    tmp_path.chmod(0o700)
    channel, key = FileChannel(file), AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)

    def deliver(number: int) -> None:
        body = json.dumps({"id": str(number)})
        channel.deliver([Message(number, "file", str(number), key, 0, body, 0)])

    deliver(1)
    done = run(tool("logrotate"), "-f", "-s", tmp_path / "state", settings)
    assert (done.returncode, done.stderr) == (0, "")
    assert not file.exists()
    deliver(2)
    assert (tmp_path / "alarms.jsonl.1").read_text() == '{"id": "1"}\n'
    assert file.read_text() == '{"id": "2"}\n'


# Installing ---------------------------------------------------------------------------------------------


def install(root: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the script, without the packages that the service needs: those of the tests are used."""
    return run(
        "bash",
        DEPLOY / "install.sh",
        "--root",
        root,
        *words,
        PIP_NO_DEPS="1",
        PIP_NO_INDEX="1",
        PYTHON=sys.executable,
    )


def tree(root: Path) -> dict[str, tuple[int, bytes]]:
    """Every file outside of the environments: when it was changed, and what it is."""
    found = {}
    for path in sorted(root.rglob("*")):
        if "versions" in path.parts or path.is_dir() or path.name == ".pwd.lock":
            continue
        content = os.readlink(path).encode() if path.is_symlink() else path.read_bytes()
        found[str(path.relative_to(root))] = (path.lstat().st_mtime_ns, content)
    return found


def of_another_version(wheel: Path, folder: Path) -> Path:
    """A wheel with the same name and other bytes, as the same version built anew is."""
    folder.mkdir()
    made = folder / wheel.name
    shutil.copy(wheel, made)
    with zipfile.ZipFile(made, "a") as archive:
        archive.comment = b"another"
    return made


def test_installed_again_upgraded_undone_and_removed(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    root = tmp_path / "root"
    root.mkdir()
    first = install(root, "install", wheel)
    assert first.returncode == 0, first.stderr
    current, previous = (root / "opt/standingwatch" / name for name in ("current", "previous"))
    version = os.readlink(current)
    assert version.startswith(f"versions/{__version__}-")

    # The program runs from there, by the path that it has inside of the root.
    script = current / "bin/standingwatch"
    # pip names the interpreter in the first line, or in the second where its path is long.
    first, second = script.read_text().splitlines()[:2]
    assert f"/opt/standingwatch/{version}/bin/python" in (second if first == "#!/bin/sh" else first)
    # An environment in an environment does not see its packages: they are named, those of the service last.
    packages = sysconfig.get_paths()["purelib"]
    ran = run(current / "bin/python", script, "--version", PYTHONPATH=packages)
    assert ran.stdout == f"standingwatch {__version__}\n", ran.stderr
    assert not [
        path
        for path in (root / "opt/standingwatch").rglob("*")
        if path.is_file() and path.parent.name == "bin" and str(root).encode() in path.read_bytes()
    ]

    # Its user, folders, settings and unit.
    account = (root / "etc/passwd").read_text()
    assert "standingwatch:" in account
    assert "/usr/sbin/nologin" in account
    owner = int(account.split(":")[2])
    data = (root / "var/lib/standingwatch").stat()
    assert (data.st_uid, data.st_mode & 0o777) == (owner, 0o750)
    settings = root / "etc/standingwatch/standingwatch.toml"
    assert (settings.stat().st_uid, settings.stat().st_mode & 0o777) == (0, 0o640)
    assert settings.stat().st_gid == owner
    url = load_settings(settings, {}).store.url.get_secret_value()
    assert url == "sqlite:////var/lib/standingwatch/standingwatch.sqlite"
    wants = root / "etc/systemd/system/multi-user.target.wants/standingwatch.service"
    assert wants.is_symlink()
    assert (root / "etc/systemd/system/timers.target.wants" / NIGHTLY[1]).is_symlink()
    backups = root / "var/backups/standingwatch"
    assert (backups.stat().st_uid, backups.stat().st_mode & 0o777) == (owner, 0o750)

    # The same again changes nothing, and what people wrote stays.
    settings.write_text(settings.read_text() + "\n[log]\nlevel = 'debug'\n")
    before = tree(root)
    again = install(root, "install", wheel)
    assert again.returncode == 0, again.stderr
    assert "nothing to do" in again.stdout
    assert tree(root) == before

    # Another version takes its place, and goes again.
    newer = install(root, "install", of_another_version(wheel, tmp_path / "newer"))
    assert newer.returncode == 0, newer.stderr
    assert os.readlink(previous) == version
    assert os.readlink(current) != version
    undone = install(root, "undo")
    assert undone.returncode == 0, undone.stderr
    assert os.readlink(current) == version
    assert settings.read_text().endswith("level = 'debug'\n")

    # A wheel that came damaged leaves all as it is.
    broken = tmp_path / "broken" / wheel.name
    broken.parent.mkdir()
    broken.write_bytes(wheel.read_bytes()[:-1000])
    failed = install(root, "install", broken)
    assert failed.returncode == 1
    assert "damaged" in failed.stderr
    assert os.readlink(current) == version

    removed = install(root, "remove")
    assert removed.returncode == 0, removed.stderr
    left = {path for path in tree(root) if "standingwatch" in path}
    assert left == {"etc/standingwatch/standingwatch.toml"}
    # A backup is kept even then, and said; its folder goes with the last one.
    (backups / "kept.backup").touch()
    purged = install(root, "remove", "--purge")
    assert purged.returncode == 0, purged.stderr
    assert "backups stay in /var/backups/standingwatch" in purged.stdout
    (backups / "kept.backup").unlink()
    assert install(root, "remove", "--purge").returncode == 0
    assert not [path for path in root.rglob("*") if "standingwatch" in path.name]
    assert "standingwatch" not in (root / "etc/passwd").read_text()


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["install", "absent.whl"], 1, "absent.whl: there is no such file"),
        (["install", str(ROOT / "README.md")], 1, "not a wheel"),
        (["undo"], 1, "there is no version before the one in use"),
        (["instal"], 2, "deploy/install.sh install [WHEEL]"),
        (["--wheels", "/nowhere/at/all", "install"], 1, "there is no such folder"),
        ([], 2, "deploy/install.sh undo"),
    ],
)
def test_mistakes_are_told(tmp_path: Path, words: list[str], status: int, said: str) -> None:
    done = install(tmp_path, *words)
    assert done.returncode == status
    assert said in done.stderr
    assert not (tmp_path / "opt").exists()


def test_it_is_not_put_beside_the_package(tmp_path: Path) -> None:
    (tmp_path / "usr/lib/standingwatch").mkdir(parents=True)
    done = install(tmp_path, "install")
    assert done.returncode == 1
    assert "apt-get remove standingwatch" in done.stderr
    assert not (tmp_path / "opt").exists()


@pytest.mark.skipif(os.getuid() != 0, reason="becomes nobody, which only root can")
def test_only_root_installs() -> None:
    words = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", "bash", "-s", "install")
    script = (DEPLOY / "install.sh").read_text()
    done = subprocess.run(words, input=script, capture_output=True, text=True)
    assert (done.returncode, "has to be run by root: sudo deploy/install.sh install" in done.stderr) == (
        1,
        True,
    )
