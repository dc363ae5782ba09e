"""The package of Debian, built by its script, without the libraries; bare_host.py installs a whole one."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from standingwatch import __version__
from standingwatch.settings import load_settings

ROOT = Path(__file__).parents[2]


def run(*words: str | Path, **environ: str) -> str:
    done = subprocess.run(
        [str(word) for word in words], env={**os.environ, **environ}, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("package")
    words = [sys.executable, "-m", "hatchling", "build", "-d", str(folder), "-t", "wheel"]
    subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    here = {"PIP_NO_DEPS": "1", "PIP_NO_INDEX": "1", "PYTHON": sys.executable}
    run("bash", ROOT / "deploy/debian/build", folder / "out", wheel, **here)
    (made,) = (folder / "out").iterdir()
    return made


def test_the_package(package: Path, tmp_path: Path) -> None:
    field = {name: run("dpkg-deb", "-f", package, name).strip() for name in ("Package", "Version", "Depends")}
    assert (field["Package"], field["Version"]) == ("standingwatch", __version__)
    major, minor = sys.version_info[:2]
    # An environment is bound to the Python that it was made with.
    assert f"python3 (>= {major}.{minor}), python3 (<< {major}.{minor + 1})" in field["Depends"]

    tree, control = tmp_path / "tree", tmp_path / "control"
    run("dpkg-deb", "-x", package, tree)
    run("dpkg-deb", "-e", package, control)
    owners = {line.split()[1] for line in run("dpkg-deb", "-c", package).splitlines()}
    assert owners == {"root/root"}
    for file in (control / "conffiles").read_text().split():
        assert (tree / file.lstrip("/")).is_file(), file
    for script in ("preinst", "postinst", "prerm", "postrm"):
        run("sh", "-n", control / script)
    for line in (control / "md5sums").read_text().splitlines():
        assert (tree / line.split("  ", 1)[1]).is_file()

    # Whatever names the program names where it is, and not where it was built or where install.sh has it.
    named = "/usr/lib/standingwatch/bin/standingwatch"
    unit = (tree / "usr/lib/systemd/system/standingwatch.service").read_text()
    assert f"ExecStart={named} run --settings /etc/standingwatch/standingwatch.toml" in unit
    nightly = (tree / "usr/lib/systemd/system/standingwatch-backup.service").read_text()
    assert f"ExecStart={named} backup --keep" in nightly
    assert (tree / "usr/lib/systemd/system/standingwatch-backup.timer").is_file()
    assert f"program={named}\n" in (tree / "usr/bin/standingwatch").read_text()
    program = (tree / named.lstrip("/")).read_text()
    assert re.search(r"^#!/usr/lib/standingwatch/bin/python\d?", program) or "/bin/sh" in program
    assert str(package.parent) not in program
    assert "/tmp/" not in program
    assert os.readlink(tree / "usr/lib/standingwatch/bin/python3") == "/usr/bin/python3"
    for file in ("usr/lib/systemd/system/standingwatch.service", "usr/bin/standingwatch"):
        assert "/opt/" not in (tree / file).read_text()
    assert "/opt/" not in nightly
    settings = tree / "etc/standingwatch/standingwatch.toml"
    assert settings.stat().st_mode & 0o777 == 0o640
    assert load_settings(settings, {}).channels.file.path == Path("/var/lib/standingwatch/alarms.jsonl")
    assert (tree / "usr/share/standingwatch/deploy/mosquitto/certificates.py").stat().st_mode & 0o111
