"""deploy/guide/install.md, as far as it takes seconds; tests/deploy/bare_host.py runs all of it."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

from standingwatch.cli.main import main

ROOT = Path(__file__).parents[2]


def module_of(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def commands() -> str:
    """All commands of the guide; each block says on which machine it is run."""
    return "".join(block.commands for block in module_of(ROOT / "tests/deploy/bare_host.py").blocks())


def written(commands: str, file: str) -> str:
    """What the guide writes into a file."""
    (text,) = re.findall(
        rf"^cat > {re.escape(file)} <<'?END'?\n(.*?)^END$", commands, re.MULTILINE | re.DOTALL
    )
    return str(text)


def test_the_commands_can_be_read_and_name_what_there_is(commands: str) -> None:
    done = subprocess.run(["bash", "-n"], input=commands, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    for path in re.findall(r"^(?:cd /usr/local/src/standingwatch/)?(deploy/\S+)", commands, re.MULTILINE):
        assert (ROOT / path).exists(), path
    for name in ("mosquitto.conf", "acl-sites", "acl-service", "certificates.py"):
        assert name in commands
        assert (ROOT / "deploy/mosquitto" / name).is_file()
    for name in ("standingwatch_publisher.py", "standingwatch-publisher.service"):
        assert name in commands
        assert (ROOT / "deploy/publisher" / name).is_file()


def test_settings_and_site_list_have_no_problem(
    commands: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With real certificates, of the guide's own command."""
    making = [
        sys.executable,
        str(ROOT / "deploy/mosquitto/certificates.py"),
        "--folder",
        str(tmp_path / "keys"),
    ]
    for words in (["init"], ["broker", "watch.example.org"], ["service"], ["site", "alder-ridge"]):
        assert f"certificates.py --folder $keys {words[0]}" in commands
        subprocess.run([*making, *words], check=True, capture_output=True)
    for path in [tmp_path / "keys/services/ca.crt", *(tmp_path / "keys/services/issued").iterdir()]:
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "sites.csv").write_text(written(commands, "/etc/standingwatch/sites.csv"))
    text = written(commands, "standingwatch.toml").replace("$name", "watch.example.org")
    (tmp_path / "standingwatch.toml").write_text(text.replace("/var/lib/standingwatch", str(tmp_path)))
    monkeypatch.chdir(tmp_path)
    assert main(["check"]) == 0
    told = capsys.readouterr()
    assert "0 errors, 0 warnings" in told.out, told.err
    assert "2 transmitters" in told.out
    # What the guide's broker listens on is what its settings go to.
    listeners = re.findall(
        r"^listener (\d+)", (ROOT / "deploy/mosquitto/mosquitto.conf").read_text(), re.MULTILINE
    )
    site = written(commands, "/etc/standingwatch-publisher.toml")
    ports = [tomllib.loads(one)["broker"]["port"] for one in (site, text)]
    assert [str(port) for port in ports] == listeners


def test_the_publisher_takes_its_settings(
    commands: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    publisher = module_of(ROOT / "deploy/publisher/standingwatch_publisher.py")
    text = written(commands, "/etc/standingwatch-publisher.toml")
    # The files of TLS are another test's.
    text = re.sub(r"^(ca|cert|key)_file = .*\n", "", text, flags=re.MULTILINE)
    (tmp_path / "publisher.toml").write_text(text)
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/standingwatch-publisher")
    settings, problems = publisher.read_settings(tmp_path / "publisher.toml")
    assert problems == []
    # Only that folder may the unit write to.
    assert settings.spool == Path("/var/lib/standingwatch-publisher/reports.sqlite")
    example = tomllib.loads((ROOT / "deploy/publisher/example.toml").read_text())
    assert example["spool"]["file"] == str(settings.spool)
