"""The container files, as far as they can be checked without a container engine: none runs in the tests."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shlex
import shutil
import stat
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema.validators import validator_for
from ports import free_port

from standingwatch.cli.main import build_parser
from standingwatch.settings import load_settings
from standingwatch.web.access_hosts import FREE_PATHS, is_ours

ROOT = Path(__file__).parents[3]
FOLDER = ROOT / "deploy" / "containers"
CONTAINERFILE = FOLDER / "Containerfile"
#: Users in the containers, as prepare.sh gives them their files.
USERS = {"broker": 10002, "database": 999, "watch": 10001, "prometheus": 65534}


def compose() -> dict[str, Any]:
    made: dict[str, Any] = yaml.safe_load((FOLDER / "compose.yaml").read_text())
    return made


SERVICES: dict[str, dict[str, Any]] = compose()["services"]


def stages() -> dict[str, list[tuple[str, str]]]:
    """The instructions of each stage of the Containerfile, in order."""
    text = re.sub(r"\\\n", " ", CONTAINERFILE.read_text())
    found: dict[str, list[tuple[str, str]]] = {}
    for line in text.splitlines():
        if not line or line.startswith("#"):
            continue
        word, _, rest = line.partition(" ")
        if word == "FROM":
            now = found[rest.split(" AS ")[1]] = []
        now.append((word, " ".join(rest.split())))
    return found


def test_hadolint() -> None:
    # It comes with a package of PyPI beside the interpreter.
    program = Path(sys.executable).parent / "hadolint"
    done = subprocess.run([str(program), str(CONTAINERFILE)], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "")
    bad = subprocess.run(
        [str(program), "-"], input="FROM debian\nRUN cd /x\n", capture_output=True, text=True
    )
    assert bad.returncode == 1, "it finds what is wrong"


def compose_problems(what: dict[str, Any]) -> list[str]:
    """What the Compose Specification's own schema finds; check-jsonschema brings a copy of it."""
    spec = importlib.util.find_spec("check_jsonschema")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    path = Path(spec.submodule_search_locations[0]) / "builtin_schemas" / "vendor" / "compose-spec.json"
    schema = json.loads(path.read_text())
    return [error.message for error in validator_for(schema)(schema).iter_errors(what)]


def test_compose_schema() -> None:
    assert compose_problems(compose()) == []
    wrong = compose()
    wrong["services"]["watch"]["read_onyl"] = True
    assert len(compose_problems(wrong)) == 1


@pytest.mark.parametrize("name", list(SERVICES))
def test_every_container_is_confined(name: str) -> None:
    service = SERVICES[name]
    assert service["user"] == f"{USERS[name]}:{USERS[name]}"
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["restart"] == "unless-stopped"
    assert {"mem_limit", "pids_limit", "healthcheck", "logging"} <= set(service)
    assert not {"privileged", "cap_add", "network_mode", "pid", "ipc", "devices"} & set(service)
    assert re.fullmatch(r"standingwatch(-broker)?|docker\.io/.+:[v0-9].+", service["image"])
    for volume in service.get("volumes", []):
        source, target, *mode = volume.split(":")
        assert "docker.sock" not in source
        if source.startswith("."):
            assert mode == ["ro"], volume
        else:
            assert source in compose()["volumes"]
        assert target.startswith("/")


def test_what_can_be_reached_from_outside() -> None:
    published = [port for service in SERVICES.values() for port in service.get("ports", [])]
    # Sites, by certificate; all else on this machine alone.
    assert [port for port in published if not port.startswith("127.0.0.1:")] == ["8883:8883"]
    assert SERVICES["database"]["networks"] == ["inside"]
    assert compose()["networks"]["inside"]["internal"] is True


def test_nothing_secret_stands_in_the_files() -> None:
    for service in SERVICES.values():
        for key, value in service.get("environment", {}).items():
            assert "PASSWORD" not in key or key.endswith("_FILE"), (key, value)
    assert {word for made in stages().values() for word, _ in made} <= {
        *("FROM", "WORKDIR", "COPY", "RUN", "USER", "VOLUME", "EXPOSE", "STOPSIGNAL", "CMD", "ENV"),
        *("HEALTHCHECK", "ENTRYPOINT"),
    }, "no ARG, which stays in the history of an image, and no ADD"


def test_stages_and_services_agree() -> None:
    found = stages()
    for name in ("broker", "watch"):
        service, made = SERVICES[name], found[name]
        build = service["build"]
        assert (FOLDER / build["context"]).resolve() == ROOT
        assert ROOT / build["dockerfile"] == CONTAINERFILE
        assert build["target"] == name
        assert ("USER", service["user"]) in made
        assert not [word for word, _ in made[made.index(("USER", service["user"])) :] if word == "RUN"]
        kept = [volume.split(":")[1] for volume in service["volumes"] if not volume.startswith(".")]
        assert [("VOLUME", json.dumps(kept))] == [one for one in made if one[0] == "VOLUME"]
        # A named volume takes owner and rights from the folder of the image.
        assert f"install -d -o {USERS[name]} -g {USERS[name]} -m 700 {kept[0]}" in dict(made)["RUN"]
    for word, rest in (one for made in found.values() for one in made):
        if word == "COPY" and "--from" not in rest:
            for source in rest.split()[:-1]:
                assert (ROOT / source).exists(), source


def test_health_is_asked_where_it_is_told() -> None:
    asked = re.findall(r"http://127\.0\.0\.1:8080(/\w+)", json.dumps(SERVICES["watch"]["healthcheck"]))
    in_image = [rest for word, rest in stages()["watch"] if word == "HEALTHCHECK"]
    asked += re.findall(r"http://127\.0\.0\.1:8080(/\w+)", in_image[0])
    assert len(asked) == 2
    assert set(asked) <= set(FREE_PATHS)
    command = SERVICES["watch"]["healthcheck"]["test"]
    compile(command[command.index("-c") + 1], "healthcheck", "exec")


def prepared(folder: Path, *names: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(FOLDER / "prepare.sh"), str(folder), *names], capture_output=True, text=True, timeout=60
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("containers") / "made"
    done = prepared(folder, "mqtt.example.org", "192.0.2.7")
    assert done.returncode == 0, done.stderr
    return folder


def test_prepared_for_each_user_alone(made: Path) -> None:
    for name in ("broker", "watch", "database"):
        for path in [made / name, *(made / name).rglob("*")]:
            about = path.stat()
            assert stat.S_IMODE(about.st_mode) & 0o077 == 0, path
            if os.geteuid() == 0:
                assert about.st_uid == USERS[name], path
    everywhere = {path.name for name in ("broker", "watch", "database") for path in (made / name).rglob("*")}
    assert "ca.key" not in everywhere


def test_prepared_twice_changes_nothing(made: Path) -> None:
    (made / "watch/standingwatch.toml").write_text("# mine\n")
    (made / "broker/acl-sites").write_text("# mine\n")
    before = {path: path.read_bytes() for path in made.rglob("*") if path.is_file()}
    assert prepared(made, "mqtt.example.org").returncode == 0
    assert {path: path.read_bytes() for path in made.rglob("*") if path.is_file()} == before


def test_prepare_without_a_name(tmp_path: Path) -> None:
    done = prepared(tmp_path / "made")
    assert done.returncode == 2
    assert "./prepare.sh mqtt.example.org" in done.stderr
    assert not (tmp_path / "made").exists()


def test_what_is_mounted_is_what_is_named(made: Path) -> None:
    mounts = {
        (name, target): source
        for name, service in SERVICES.items()
        for source, target, *_ in (volume.split(":") for volume in service["volumes"])
        if source.startswith(".")
    }

    def of(name: str, path: str) -> Path:
        """The file on this machine that a container sees at a path."""
        for (service, target), source in mounts.items():
            if service == name and (path == target or path.startswith(target + "/")):
                host = FOLDER / (source + path.removeprefix(target))
                return made / host.relative_to(FOLDER / "made") if "made" in source else host
        pytest.fail(f"{path} is not mounted in {name}")

    conf = (ROOT / "deploy/mosquitto/mosquitto.conf").read_text()
    named = re.findall(r"^(?:\w+file|acl_file) (\S+)$", conf, re.MULTILINE)
    named += re.findall(r" (/etc/mosquitto/\S+)", " ".join(SERVICES["broker"]["healthcheck"]["test"]))
    assert len(named) == 13
    for path in named:
        assert of("broker", path).is_file(), path
    assert SERVICES["broker"]["volumes"][1].endswith(re.findall(r"persistence_location (\S+)/\n", conf)[0])
    command = dict(stages()["watch"])["CMD"]
    assert of("watch", json.loads(command)[-1]).is_file()
    word = of("database", SERVICES["database"]["environment"]["POSTGRES_PASSWORD_FILE"]).read_text().strip()
    assert len(word) == 64
    pgpass = of("watch", SERVICES["watch"]["environment"]["PGPASSFILE"]).read_text()
    assert pgpass == f"database:5432:*:standingwatch:{word}\n"
    for option in shlex.split(" ".join(SERVICES["prometheus"]["command"])):
        if option.startswith("--config.file="):
            assert of("prometheus", option.partition("=")[2]).is_file()
    rules = list((ROOT / "deploy/monitoring/rules").glob("standingwatch-*.yml"))
    assert rules
    assert "rules/standingwatch-*.yml" in (FOLDER / "prometheus.yml").read_text()


def test_settings(tmp_path: Path) -> None:
    done = prepared(tmp_path / "made", "mqtt.example.org")
    assert done.returncode == 0, done.stderr
    settings = load_settings(tmp_path / "made/watch/standingwatch.toml")
    assert (settings.broker.host, settings.broker.port, settings.broker.tls) == ("broker", 8884, True)
    assert settings.broker.client_id == "standingwatch"
    targets = yaml.safe_load((FOLDER / "prometheus.yml").read_text())["scrape_configs"][0]["static_configs"]
    host, _, port = targets[0]["targets"][0].partition(":")
    assert host in SERVICES
    assert int(port) == settings.web.port
    assert is_ours(host, settings.access.allowed_hosts, settings.web.host)
    # The names that other containers reach broker and database by.
    assert {settings.broker.host, "database"} <= set(SERVICES)
    text = subprocess.run(
        ["openssl", "x509", "-noout", "-text", "-in", str(tmp_path / "made/broker/certs/broker.crt")],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert "DNS:broker, DNS:localhost, DNS:mqtt.example.org" in text


def test_prometheus_settings(tmp_path: Path) -> None:
    (tmp_path / "rules").symlink_to(ROOT / "deploy/monitoring/rules")
    (tmp_path / "prometheus.yml").write_text((FOLDER / "prometheus.yml").read_text())
    done = subprocess.run(
        ["promtool", "check", "config", str(tmp_path / "prometheus.yml")], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert "SUCCESS" in done.stdout


def test_the_broker_runs_and_its_health_check_tells(tmp_path: Path) -> None:
    """With what prepare.sh made, and the command of compose.yaml itself; but in no container."""
    assert prepared(tmp_path / "made", "mqtt.example.org").returncode == 0
    etc, lib = tmp_path / "made/broker", tmp_path / "lib"
    lib.mkdir()
    ports = {port: str(free_port()) for port in ("8883", "8884")}
    conf = tmp_path / "mosquitto.conf"
    text = (etc / "mosquitto.conf").read_text().replace("/etc/mosquitto", str(etc))
    text = text.replace("/var/lib/mosquitto", str(lib)).replace("\nuser mosquitto\n", "\nuser root\n")
    for port, here in ports.items():
        text = text.replace(f"listener {port}\n", f"listener {here} 127.0.0.1\n")
    conf.write_text(text)
    check = [
        word.replace("/etc/mosquitto", str(etc)) for word in SERVICES["broker"]["healthcheck"]["test"][1:]
    ]
    # Compose makes one dollar sign of two.
    check = [word.replace("$$", "$").replace("8884", ports["8884"]) for word in check]

    def health() -> int:
        return subprocess.run(check, capture_output=True, timeout=20).returncode

    assert health() != 0, "nothing runs yet"
    found = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    assert found, "mosquitto is not installed; tests/run installs what the tests need"
    with (
        (tmp_path / "log").open("wb") as log,
        subprocess.Popen([found, "-c", str(conf)], stderr=log) as broker,
    ):
        try:
            end = time.monotonic() + 10
            while (status := health()) and time.monotonic() < end:
                time.sleep(0.05)
            assert status == 0, (tmp_path / "log").read_text()
        finally:
            broker.terminate()


def test_commands_of_the_guide_are_there() -> None:
    guide = (FOLDER / "README.md").read_text()
    lines = re.findall(r"^docker compose exec (\w+) standingwatch (.*)$", guide, re.MULTILINE)
    assert len(lines) == 2
    for service, words in lines:
        assert service == "watch"
        build_parser().parse_args(shlex.split(words))
        assert words.endswith(json.loads(dict(stages()["watch"])["CMD"])[-1])


def test_a_build_sees_what_it_copies_and_nothing_else() -> None:
    lines = CONTAINERFILE.with_name("Containerfile.dockerignore").read_text().splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]
    copied = {
        source
        for made in stages().values()
        for word, rest in made
        if word == "COPY" and "--from" not in rest
        for source in rest.split()[:-1]
    }
    # All is left out first; later lines win.
    assert rules[0] == "*"
    assert {rule[1:] for rule in rules if rule.startswith("!")} == copied
    for folder, name in ((FOLDER, "made/"), (ROOT / "deploy/mosquitto", "certificates/")):
        assert name in (folder / ".gitignore").read_text().splitlines()
