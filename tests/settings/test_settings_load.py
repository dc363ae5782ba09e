"""Settings from file and environment: what wins, what paths are relative to."""

import subprocess
import sys
from pathlib import Path

import pytest
import trustme
from pydantic import SecretStr, ValidationError

from standingwatch.settings import (
    BrokerSettings,
    LimitsSettings,
    Settings,
    SettingsError,
    describe_settings,
    inspect_settings,
    load_settings,
)


def write(folder: Path, text: str) -> Path:
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_file_and_environment_there_are_the_defaults() -> None:
    settings = load_settings(None, {})
    assert settings == Settings()
    assert settings.broker.port == 1883
    assert settings.limits.critical_swr == 3.0
    assert settings.channels.file.path == Path("alarms.jsonl")
    assert settings.store.url.get_secret_value() == "sqlite:///standingwatch.sqlite"


def test_environment_wins_over_file_and_file_over_default(tmp_path: Path) -> None:
    path = write(tmp_path, '[broker]\nhost = "mast"\nport = 1884\n[channels.file]\nenabled = false\n')
    environ = {
        "STANDINGWATCH_BROKER__PORT": "8883",
        "STANDINGWATCH_BROKER__TLS": "true",
        "STANDINGWATCH_CHANNELS__FILE__ENABLED": "1",
        "STANDINGWATCH_CHANNELS__MQTT__MIN_SEVERITY": "major",
        "STANDINGWATCH_INTAKE__BATCH_WAIT_S": "0.2",
        "HOME": "/nowhere",
    }
    settings = load_settings(path, environ)
    assert settings.broker.host == "mast"
    assert settings.broker.port == 8883
    assert settings.broker.tls is True
    assert settings.channels.file.enabled is True
    assert settings.channels.mqtt.min_severity == "major"
    assert settings.intake.batch_wait_s == 0.2
    assert settings.broker.keepalive_s == 30


def test_every_setting_can_come_from_the_environment() -> None:
    other = {
        "BROKER__PROTOCOL": "3.1.1",
        "BROKER__PASSWORD_FILE": "",
        "BROKER__CA_FILE": "",
        "BROKER__CERT_FILE": "",
        "BROKER__KEY_FILE": "",
        "INVENTORY__FILE": "sites.csv",
    }
    needed = {
        "channels.webhook.NAME": {"URL": "https://hook.example/a"},
        "channels.email.NAME": {
            "HOST": "mail.example",
            "FROM_ADDRESS": "watch@example.org",
            "TO_ADDRESSES": "desk@example.org",
        },
        "channels.alertmanager.NAME": {"URL": "https://alerts.example"},
        "channels.syslog.NAME": {"HOST": "log.example", "PORT": "6514"},
        "review.regions.NAME": {"REGION": "Coast", "TIMEZONE": "Europe/Lisbon"},
    }
    for row in describe_settings():
        beside = {
            row.variable.removesuffix(row.key.upper()) + key: text
            for key, text in needed.get(row.section, {}).items()
        }
        text = other.get(row.variable.removeprefix("STANDINGWATCH_"), row.default.strip('"'))
        report = inspect_settings(None, {row.variable: text} | beside)
        assert report.problems == (), row.variable
        wrong = inspect_settings(None, {row.variable + "X": text} | beside)
        assert [problem.file for problem in wrong.problems] == [f"environment variable {row.variable}X"]


def test_the_process_environment_is_read_at_the_call_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STANDINGWATCH_WEB__PORT", "9090")
    assert load_settings(None).web.port == 9090
    assert load_settings(None, {}).web.port == 8080
    assert Settings().web.port == 8080


def test_import_does_not_read_the_environment() -> None:
    code = "import standingwatch.settings as s; print(s.Settings().web.port)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"STANDINGWATCH_WEB__PORT": "nonsense", "PYTHONPATH": str(Path(__file__).parents[2] / "service")},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "8080"


def test_paths_of_the_file_and_defaults_are_relative_to_the_file(tmp_path: Path) -> None:
    trustme.CA().cert_pem.write_to_path(tmp_path / "ca.pem")
    path = write(
        tmp_path, '[broker]\ntls = true\nca_file = "ca.pem"\n[inventory]\nfile = "lists/sites.csv"\n'
    )
    settings = load_settings(path, {})
    assert settings.broker.ca_file == tmp_path / "ca.pem"
    assert settings.inventory.file == tmp_path / "lists" / "sites.csv"
    assert settings.channels.file.path == tmp_path / "alarms.jsonl"
    assert settings.store.url.get_secret_value() == f"sqlite:///{tmp_path}/standingwatch.sqlite"


def test_paths_of_the_environment_are_relative_to_the_working_directory(tmp_path: Path) -> None:
    environ = {
        "STANDINGWATCH_INVENTORY__FILE": "sites.csv",
        "STANDINGWATCH_STORE__URL": "sqlite:///here.sqlite",
    }
    settings = load_settings(write(tmp_path, '[inventory]\nfile = "x.csv"\n'), environ)
    assert settings.inventory.file == Path("sites.csv")
    assert settings.store.url.get_secret_value() == "sqlite:///here.sqlite"


@pytest.mark.parametrize(
    "url",
    [
        "sqlite:////var/lib/watch.sqlite",
        "sqlite:///:memory:",
        "sqlite:///file:watch?mode=memory&uri=true",
        "postgresql+psycopg://u:p@db/watch",
        "postgresql:///watch",
    ],
)
def test_other_addresses_stay_as_they_are(tmp_path: Path, url: str) -> None:
    settings = load_settings(write(tmp_path, f'[store]\nurl = "{url}"\n'), {})
    assert settings.store.url.get_secret_value() == url


def test_byte_order_mark_and_whole_numbers_for_fractions_are_fine(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    path.write_bytes(b"\xef\xbb\xbf[limits]\r\ncritical_swr = 4\r\n")
    assert load_settings(path, {}).limits.critical_swr == 4.0


def test_password_file(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("op en\n", encoding="utf-8")
    path = write(tmp_path, '[broker]\nusername = "desk"\npassword_file = "secret"\n')
    assert load_settings(path, {}).broker.password == SecretStr("op en")


def test_a_password_of_the_environment_replaces_the_password_file(tmp_path: Path) -> None:
    path = write(tmp_path, '[broker]\npassword_file = "not-there"\n')
    settings = load_settings(path, {"STANDINGWATCH_BROKER__PASSWORD": "pw"})
    assert settings.broker.password.get_secret_value() == "pw"
    assert settings.broker.password_file is None


def test_settings_are_frozen() -> None:
    settings = load_settings(None, {})
    with pytest.raises(ValidationError, match="frozen"):
        settings.broker.port = 1
    with pytest.raises(ValidationError, match="frozen"):
        settings.broker = BrokerSettings()  # type: ignore[misc]  # as above


def test_sections_made_directly_are_checked_too() -> None:
    with pytest.raises(ValidationError, match=r"minor_swr: got 1.2, wanted more than warning_swr = 1.5"):
        LimitsSettings(minor_swr=1.2)
    with pytest.raises(ValidationError, match="extra"):
        Settings.model_validate({"brokr": {}})


def test_warnings_do_not_stop_loading(tmp_path: Path) -> None:
    path = write(tmp_path, '[broker]\nhost = "mast.example"\nusername = "u"\npassword = "p"\n')
    report = inspect_settings(
        path, {"STANDINGWATCH_INTAKE__QUEUE_LIMIT": "1999", "STANDINGWATCH_INTAKE__BATCH_ROWS": "9"}
    )
    assert report.settings == load_settings(
        path, {"STANDINGWATCH_INTAKE__QUEUE_LIMIT": "1999", "STANDINGWATCH_INTAKE__BATCH_ROWS": "9"}
    )
    assert [(p.severity, p.file, p.line, p.key) for p in report.problems] == [
        ("warning", str(path), 4, "broker.tls"),
        ("warning", "environment variable STANDINGWATCH_INTAKE__QUEUE_LIMIT", None, "intake.queue_limit"),
    ]


@pytest.mark.parametrize(
    ("host", "tls", "warned"),
    [("mast.example", "false", True), ("mast.example", "true", False), ("127.0.0.1", "false", False)],
)
def test_a_password_in_clear_is_warned_of(host: str, tls: str, warned: bool) -> None:
    given = {"PASSWORD": "p", "USERNAME": "u", "HOST": host, "TLS": tls}
    given["PORT"] = "8883" if tls == "true" else "1883"
    report = inspect_settings(None, {f"STANDINGWATCH_BROKER__{key}": text for key, text in given.items()})
    assert [problem.key for problem in report.problems] == (["broker.tls"] if warned else [])


def test_an_error_carries_the_problems() -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings(None, {"STANDINGWATCH_WEB__PORT": "0", "STANDINGWATCH_LOG__LEVEL": "warn"})
    assert {problem.key for problem in caught.value.problems} == {"web.port", "log.level"}
    assert str(caught.value).count("\n") == 1
