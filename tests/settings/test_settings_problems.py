"""Every kind of problem with settings: its place, what was got and wanted, how to mend it."""

from pathlib import Path

import pytest

from standingwatch.readings.problem import Problem
from standingwatch.settings import inspect_settings


def problems(folder: Path, text: str, environ: dict[str, str] | None = None) -> list[Problem]:
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    report = inspect_settings(path, environ or {})
    assert (report.settings is None) == any(p.severity == "error" for p in report.problems)
    assert all(
        p.file == str(path) or p.file.lower().startswith("environment variable standingwatch_")
        for p in report.problems
    )
    return list(report.problems)


ONE_PROBLEM = [
    # text, line, key, got, wanted, mend (parts of)
    (
        "[broker]\n\nport = 70000\n",
        3,
        "broker.port",
        "70000",
        "a whole number from 1 to 65535",
        "default is 1883",
    ),
    ('[broker]\nport = "1883"\n', 2, "broker.port", '"1883"', "whole number", "write 1883 without quotes"),
    ("[broker]\nport = 1883.0\n", 2, "broker.port", "1883.0", "whole number", ""),
    ("broker.port = true\n", 1, "broker.port", "true", "whole number", ""),
    ('[broker]\ntls = "True"\n', 2, "broker.tls", '"True"', "true or false", "write true without quotes"),
    ("[broker]\ntls = 1\n", 2, "broker.tls", "1", "true or false", "default is false"),
    ("[broker]\nprotocol = 5\n", 2, "broker.protocol", "5", '"5", "3.1.1"', 'write "5" in quotes'),
    ('[log]\nlevel = "warn"\n', 2, "log.level", '"warn"', "one of", 'did you mean "warning"?'),
    ("[broker]\nhost = 10\n", 2, "broker.host", "10", "host name", "put it in quotes"),
    ('[broker]\nhost = "mqtt://mast:1883"\n', 2, "broker.host", '"mqtt://mast:1883"', "without scheme", ""),
    ('[broker]\nhost = ""\n', 2, "broker.host", '""', "host name", ""),
    ('[broker]\ntopic_root = "a/+/b"\n', 2, "broker.topic_root", '"a/+/b"', "without + #", ""),
    ('[broker]\ntopic_root = "$SYS"\n', 2, "broker.topic_root", '"$SYS"', "not beginning with $", ""),
    ('[broker]\ntopic_root = "a/"\n', 2, "broker.topic_root", '"a/"', "single slashes", ""),
    ("[silence]\ngrace_s = nan\n", 2, "silence.grace_s", "nan", "a number from 0 to 86400", ""),
    ("[silence]\ngrace_s = inf\n", 2, "silence.grace_s", "inf", "a number", ""),
    ("[silence]\ngrace_s = [60]\n", 2, "silence.grace_s", "an array", "a number", ""),
    ("[silence]\ngrace_s = {a = 1}\n", 2, "silence.grace_s", "a table", "a number", ""),
    ("[inventory]\nfile = 2026-01-01\n", 2, "inventory.file", "2026-01-01", "path", ""),
    ('[inventory]\nfile = ""\n', 2, "inventory.file", '""', "path", "leave it out"),
    ('[channels.file]\npath = ""\n', 2, "channels.file.path", '""', "path", "alarms.jsonl"),
    ("[broker]\nhots = 1\n", 2, "broker.hots", "an unknown key", "", "did you mean host?"),
    ("[broker]\nlevel = 1\n", 2, "broker.level", "an unknown key", "", "level belongs in [log]"),
    ("[log]\nqqq = 1\n", 2, "log.qqq", "an unknown key", "", "there is level"),
    ("[brokr]\nhost = 1\n", 1, "brokr", "an unknown section", "", "did you mean broker?"),
    ("_env_file = 'x'\n", 1, "_env_file", "an unknown section", "", ""),
    ("_cli_parse_args = true\n", 1, "_cli_parse_args", "an unknown section", "", ""),
    ("[channels.fax]\nx = 1\n", 1, "channels.fax", "an unknown key", "", "there is mqtt, file"),
    ("log = 5\n", 1, "log", "a int", "a section", "write [log]"),
    ("[channels]\nmqtt = true\n", 2, "channels.mqtt", "a bool", "a section", "[channels.mqtt]"),
    # values that do not go together
    (
        "[limits]\nminor_swr = 1.4\n",
        2,
        "limits.minor_swr",
        "1.4",
        "more than warning_swr = 1.5",
        "raise minor_swr",
    ),
    ("[limits]\nmajor_swr = 1.7\n", 2, "limits.major_swr", "1.7", "more than minor_swr = 1.7", ""),
    ("[limits]\ncritical_swr = 1.9\n", 2, "limits.critical_swr", "1.9", "more than major_swr = 2", ""),
    (
        "[limits]\nwarning_swr = 1.8\n",
        2,
        "limits.minor_swr",
        "1.7 (the default)",
        "more than warning_swr = 1.8",
        "",
    ),
    (
        "[limits]\nclear_margin = 0.5\n",
        2,
        "limits.clear_margin",
        "0.5",
        "less than 0.5",
        "lower clear_margin",
    ),
    (
        "[broker]\nreconnect_min_s = 90\n",
        2,
        "broker.reconnect_min_s",
        "90",
        "at most reconnect_max_s = 60",
        "",
    ),
    (
        "[store]\nkeep_rollups_days = 9\n",
        2,
        "store.keep_rollups_days",
        "9",
        "at least keep_readings_days",
        "",
    ),
    ('[store]\nurl = "oracle://h/d"\n', 2, "store.url", "oracle://h/d", "sqlite:///", ""),
    ('[store]\nurl = "watch.sqlite"\n', 2, "store.url", "no ://", "sqlite:///", ""),
    ("[intake]\nbatch_rows = 20001\n", 2, "intake.batch_rows", "20001", "at most queue_limit = 20000", ""),
    ("[defaults]\nfoldback_swr = 3.5\n", 2, "defaults.foldback_swr", "3.5", "at most tolerance_swr = 3", ""),
    (
        "[baseline]\nprovisional_hours = 337\n",
        2,
        "baseline.provisional_hours",
        "337",
        "a whole number from 1 to 24",
        "",
    ),
    (
        '[broker]\nprotocol = "3.1.1"\npassword = "p"\n',
        3,
        "broker.username",
        "a password without a user name",
        "MQTT 3.1.1",
        "give username",
    ),
    # files
    (
        '[broker]\npassword_file = "none"\n',
        2,
        "broker.password_file",
        "No such file",
        "holds the password",
        "",
    ),
    ('[broker]\npassword_file = "empty"\n', 2, "broker.password_file", "empty", "holds the password", ""),
    ('[broker]\npassword_file = "latin"\n', 2, "broker.password_file", "not UTF-8", "holds the password", ""),
    (
        '[broker]\npassword = "p"\npassword_file = "x"\n',
        3,
        "broker.password_file",
        "password as well",
        "password or password_file",
        "take one",
    ),
    (
        '[broker]\ntls = true\nca_file = "none"\nport = 8883\n',
        3,
        "broker.ca_file",
        "No such file",
        "can be read",
        "",
    ),
    ('[broker]\nca_file = "x"\n', 2, "broker.ca_file", "tls = false", "tls = true", "set tls = true"),
    (
        '[broker]\ntls = true\ncert_file = "x"\n',
        3,
        "broker.cert_file",
        "no key_file",
        "both",
        "give key_file",
    ),
    (
        '[broker]\ntls = true\nkey_file = "x"\n',
        3,
        "broker.key_file",
        "no cert_file",
        "both",
        "give cert_file",
    ),
    # the text itself
    ("[broker]\n\nport = \n", 3, "", "Invalid value at column 8", "TOML", "text stands in quotes"),
    ("[broker]\nport = 1\nport = 2\n", 3, "", "Cannot overwrite a value at column 9", "TOML", "twice"),
    ('[store]\nurl = "C:\\d"\n', 2, "", "at column", "TOML", "single quotes"),
    ('a = "x\n', 1, "", "at column", "TOML", ""),
    ("a = '''x\n\n", 3, "", "end of file", "TOML", ""),
    ("a = [1,\n", 2, "", "end of file", "TOML", ""),
    ("a = " + "1" * 5000 + "\n", 2, "", "end of file", "TOML", ""),
    (
        '[broker]\nport = 8883\ntls = true\nca_file = "a\\u0000b"\n',
        4,
        "broker.ca_file",
        "NUL",
        "without",
        "take it out",
    ),
    ('[store]\nurl = "sqlite:///a\\u0000"\n', 2, "store.url", "NUL", "without", "take it out"),
    ("a = " + "[" * 500, None, "", "nested too deep", "a few levels", "brackets"),
    (".".join("a" * 3000) + " = 1", None, "", "nested too deep", "a few levels", "brackets"),
]


@pytest.mark.parametrize(("text", "line", "key", "got", "wanted", "mend"), ONE_PROBLEM)
def test_one_problem(
    tmp_path: Path, text: str, line: int | None, key: str, got: str, wanted: str, mend: str
) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "latin").write_bytes(b"\xe9")
    (tmp_path / "x").write_text("x")
    (problem,) = problems(tmp_path, text)
    assert (problem.severity, problem.line, problem.key) == ("error", line, key)
    assert got in problem.got
    assert wanted in problem.wanted
    assert mend in problem.mend
    assert "\n" not in str(problem)


def test_all_problems_of_file_and_environment_at_once(tmp_path: Path) -> None:
    text = "[broker]\nport = 0\nhots = 1\n[limits]\nminor_swr = 1.1\nmajor_swr = 1.05\n[web]\nport = 'x'\n"
    environ = {"STANDINGWATCH_LOG__LEVEL": "loud", "STANDINGWATCH_LOG__LEVLE": "info"}
    found = problems(tmp_path, text, environ)
    assert [(p.line, p.key) for p in found] == [
        (2, "broker.port"),
        (3, "broker.hots"),
        (5, "limits.minor_swr"),
        (6, "limits.major_swr"),
        (8, "web.port"),
        (None, ""),
        (None, "log.level"),
    ]


def test_environment_problems_name_the_variable(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, "[web]\nport = 80\n", {"STANDINGWATCH_WEB__PORT": "eighty"})
    assert str(problem) == (
        'error: environment variable STANDINGWATCH_WEB__PORT: web.port: got "eighty", '
        "wanted a whole number from 1 to 65535; the default is 8080"
    )


def test_a_bad_value_in_the_file_shows_although_the_environment_overrides_it(tmp_path: Path) -> None:
    found = problems(tmp_path, "[web]\nport = 0\n", {"STANDINGWATCH_WEB__PORT": "81"})
    assert [(p.line, p.key) for p in found] == [(2, "web.port")]


@pytest.mark.parametrize(("key", "value"), [("WARNING_SWR", "1.3"), ("MINOR_SWR", "1.6")])
def test_the_environment_can_settle_a_conflict_in_the_file(tmp_path: Path, key: str, value: str) -> None:
    assert problems(tmp_path, "[limits]\nminor_swr = 1.4\n", {f"STANDINGWATCH_LIMITS__{key}": value}) == []


def test_a_conflict_made_by_the_environment_is_placed_there(tmp_path: Path) -> None:
    (problem,) = problems(
        tmp_path, "[limits]\nwarning_swr = 1.5\n", {"STANDINGWATCH_LIMITS__MINOR_SWR": "1.4"}
    )
    assert (problem.file, problem.line) == ("environment variable STANDINGWATCH_LIMITS__MINOR_SWR", None)


def test_unknown_variables_are_errors_and_single_underscores_warnings(tmp_path: Path) -> None:
    environ = {
        "STANDINGWATCH_BROKER__HOTS": "x",
        "standingwatch_broker__host": "x",
        "STANDINGWATCH_WEB_HOST": "x",
        # what an orchestrator sets for a service of this name
        "STANDINGWATCH_WEB_PORT": "tcp://10.0.0.9:8080",
        "STANDINGWATCH_SERVICE_HOST": "10.0.0.9",
        "OTHER__THING": "x",
    }
    found = {
        p.file.removeprefix("environment variable "): (p.severity, p.mend)
        for p in problems(tmp_path, "", environ)
    }
    assert found == {
        "STANDINGWATCH_BROKER__HOTS": ("error", "did you mean STANDINGWATCH_BROKER__HOST?"),
        "standingwatch_broker__host": ("error", "did you mean STANDINGWATCH_BROKER__HOST?"),
        "STANDINGWATCH_WEB_HOST": ("warning", "has no effect; did you mean STANDINGWATCH_WEB__HOST?"),
    }


def test_a_file_that_is_not_there_and_one_that_is_not_utf8(tmp_path: Path) -> None:
    (absent,) = inspect_settings(tmp_path / "none.toml", {}).problems
    assert (absent.file, absent.line, absent.got) == (
        str(tmp_path / "none.toml"),
        None,
        "No such file or directory",
    )
    (tmp_path / "latin.toml").write_bytes(b'[broker]\n# h\xf6he\nhost = "x"\n')
    (encoding,) = inspect_settings(tmp_path / "latin.toml", {}).problems
    assert (encoding.line, encoding.got, encoding.mend) == (2, "byte 0xf6", "save the file as UTF-8")


def test_a_conflict_without_a_file_is_placed_at_the_variable() -> None:
    (problem,) = inspect_settings(None, {"STANDINGWATCH_LIMITS__WARNING_SWR": "1.9"}).problems
    assert problem.key == "limits.minor_swr"
    assert problem.file == "environment variable STANDINGWATCH_LIMITS__WARNING_SWR"


def test_problems_stay_on_one_line() -> None:
    problem = Problem("warning", "f\x1b[2J.csv", 3, "site", 'a\nb\u2028c"', "", "mend\r")
    assert str(problem) == 'warning: f\\x1b[2J.csv:3: site: got a\\nb\\u2028c"; mend\\r'
