"""Settings of access: ranges, names of hosts, and what should be looked at."""

from __future__ import annotations

from pathlib import Path

import pytest

from standingwatch.settings import describe_settings, inspect_settings

RANGES = [
    ("session_idle_hours", "0", "0.1", "a number above 0 to 8760"),
    ("session_days", "367.0", "366.0", "a number above 0 to 366"),
    ("token_days_most", "0", "1", "a whole number from 1 to 3660"),
    ("sign_in_tries", "0", "1", "a whole number from 1 to 100"),
    ("sign_in_window_s", "0.5", "1.0", "a number from 1 to 86400"),
    ("keep_audit_days", "29", "30", "a whole number from 30 to 36525"),
    ("required", '"no"', "false", "true or false"),
    ("open_metrics", "1", "false", "true or false"),
]


@pytest.mark.parametrize(("key", "refused", "taken", "wanted"), RANGES)
def test_ranges(tmp_path: Path, key: str, refused: str, taken: str, wanted: str) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(f"[access]\n{key} = {refused}\n")
    (problem,) = inspect_settings(path, {}).problems
    assert (problem.line, problem.key, problem.wanted) == (2, f"access.{key}", wanted)
    path.write_text(f"[access]\n{key} = {taken}\n")
    assert inspect_settings(path, {}).problems == ()


@pytest.mark.parametrize("host", ["https://a.test", "a.test:80", "a b", "", "a/b", "*"])
def test_names_of_hosts_have_no_scheme_and_no_port(tmp_path: Path, host: str) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(f'[access]\nallowed_hosts = ["{host}"]\n')
    assert len(inspect_settings(path, {}).problems) == 1
    path.write_text('[access]\nallowed_hosts = ["watch.example.org", "192.0.2.1", "2001:db8::1"]\n')
    assert inspect_settings(path, {}).problems == ()


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ('[web]\nhost = "0.0.0.0"\n', ["web.cert_file", "access.allowed_hosts"]),
        ('[web]\nhost = "0.0.0.0"\n[access]\nallowed_hosts = ["a.test"]\n', ["web.cert_file"]),
        ('[web]\nhost = "192.0.2.1"\n[access]\nrequired = false\n', ["access.required"]),
        ("[access]\nrequired = false\n", []),
        ('[web]\nenabled = false\nhost = "0.0.0.0"\n[access]\nrequired = false\n', []),
    ],
)
def test_what_should_be_looked_at(tmp_path: Path, text: str, keys: list[str]) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(text)
    problems = inspect_settings(path, {}).problems
    assert [(one.severity, one.key) for one in problems] == [("warning", key) for key in keys]


def test_every_key_is_held_to_what_may_stand_there() -> None:
    there = {row.key for row in describe_settings() if row.section == "access"}
    assert there == {key for key, *_ in RANGES} | {"allowed_hosts"}
