"""The example file documents every setting, with its default, and nothing else."""

import re
import tomllib
from pathlib import Path
from typing import Any

from standingwatch.settings import Settings, describe_settings, inspect_settings

EXAMPLE = Path(__file__).parents[2] / "config" / "standingwatch.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")
#: What begins a line of a table that is there as an example, as against a comment.
HIDDEN = re.compile(r"^#(?=\[|\w+ = )", re.MULTILINE)
NAMED = re.compile(r"^(channels\.(?:webhook|email|alertmanager|syslog)|review\.regions)\.[a-z0-9-]+\.")
ROWS = {f"{row.section}.{row.key}": row for row in describe_settings()}


def named_tables() -> list[str]:
    """The tables that stand there as examples, their lines without the #."""
    blocks = re.findall(r"^#\[.*?(?=\n\n)", TEXT, flags=re.MULTILINE | re.DOTALL)
    return [HIDDEN.sub("", block) + "\n" for block in blocks]


def flat(table: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, dict):
            out |= flat(value, f"{prefix}{key}.")
        else:
            out[prefix + key] = value
    return out


def test_every_key_stands_there_and_no_unknown_one() -> None:
    there = [NAMED.sub(r"\1.NAME.", key) for key in flat(tomllib.loads(HIDDEN.sub("", TEXT)))]
    assert there == list(ROWS)
    assert sum(".NAME." in key for key in there) > 60


def test_what_stands_there_are_the_defaults() -> None:
    there = flat(tomllib.loads(TEXT))
    rows = {name: row.default for name, row in ROWS.items() if ".NAME." not in name}
    assert there == {
        key: flat(tomllib.loads(f"x = {default}"))["x"] for key, default in rows.items() if default
    }
    defaults = flat(Settings().model_dump(mode="python"))
    for key, value in there.items():
        meant = (
            defaults[key].get_secret_value() if hasattr(defaults[key], "get_secret_value") else defaults[key]
        )
        if isinstance(meant, tuple):
            meant = list(meant)
        assert value == (str(meant) if isinstance(meant, Path) else meant), key
    assert {key for key, value in defaults.items() if value is None} == set(defaults) - set(there)


def test_what_stands_in_the_example_tables_are_the_defaults_where_there_are_some() -> None:
    there: dict[str, Any] = {}
    for table in named_tables():
        there |= {NAMED.sub(r"\1.NAME.", key): value for key, value in flat(tomllib.loads(table)).items()}
    with_default = {name: row.default for name, row in ROWS.items() if ".NAME." in name and row.default}
    assert len(with_default) > 50
    for name, default in with_default.items():
        assert there[name] == tomllib.loads(f"x = {default}")["x"], name


def test_it_loads_without_a_problem() -> None:
    report = inspect_settings(EXAMPLE, {})
    assert report.problems == ()


def test_the_example_tables_load_without_a_problem(tmp_path: Path) -> None:
    tables = named_tables()
    kinds = ["webhook", "email", "alertmanager", "syslog", "regions"]
    assert [table.split(".")[1] for table in tables] == kinds
    for name in ("ca.pem", "webhook-secret", "mail-password", "alertmanager-password"):
        (tmp_path / name).write_text(f"in {name}")
    path = tmp_path / "watch.toml"
    path.write_text("\n".join(tables))
    report = inspect_settings(path, {})
    assert report.problems == ()
    assert report.settings is not None
    channels = report.settings.channels
    assert list(channels.by_name()) == [
        "mqtt",
        "file",
        "webhook.desk",
        "email.on-call",
        "alertmanager.main",
        "syslog.archive",
    ]
    assert channels.webhook["desk"].secret.get_secret_value() == "in webhook-secret"
    assert channels.email["on-call"].password.get_secret_value() == "in mail-password"
    assert channels.alertmanager["main"].password.get_secret_value() == "in alertmanager-password"
    assert channels.syslog["archive"].ca_file == tmp_path / "ca.pem"


def test_what_has_to_be_given_is_marked_and_is_enough(tmp_path: Path) -> None:
    path = tmp_path / "watch.toml"
    for table in named_tables():
        head, *lines = table.splitlines()
        comment, needed = "", []
        for line in lines:
            if line.startswith("# "):
                comment += line[1:]
            else:
                if "has to be given" in comment:
                    needed.append(line)
                comment = ""
        path.write_text("\n".join([head, *needed]))
        assert inspect_settings(path, {}).problems == ()
        for line in needed:
            path.write_text("\n".join([head, *(other for other in needed if other != line)]))
            (problem,) = inspect_settings(path, {}).problems
            assert (problem.line, problem.got) == (1, "nothing")
            assert problem.mend == f"give {line.split(' = ')[0]}"


def test_every_setting_is_described_above_its_line() -> None:
    text = re.sub(r"\n# ", " ", TEXT)
    for row in describe_settings():
        assert row.description
        assert row.description[1:] in text, f"{row.section}.{row.key}"
        if row.unit:
            assert f"[{row.unit}]" in text


def test_keys_with_a_unit_in_their_name_carry_it() -> None:
    units = {"s": "s", "db": "dB", "w": "W", "days": "d", "hours": "h", "bytes": "B"}
    for row in describe_settings():
        if row.key in ("hours", "quiet_hours"):
            continue  # times of day, not a number of hours
        ending = row.key.rpartition("_")[2]
        assert row.unit == units.get(ending, row.unit), row.key
