"""Settings of what is encrypted: the web server's certificate, who a proxy is, the link to the database."""

from __future__ import annotations

from pathlib import Path

import pytest
import trustme

from standingwatch.settings import Settings, inspect_settings
from standingwatch.settings.secret_url import SecretUrl


def write_pair(folder: Path, key_of: str = "127.0.0.1") -> None:
    authority = trustme.CA()
    authority.issue_cert("127.0.0.1").cert_chain_pems[0].write_to_path(folder / "web.pem")
    authority.issue_cert(key_of).private_key_pem.write_to_path(folder / "web.key")


def problems_of(folder: Path, text: str) -> list[tuple[str, int | None, str, str]]:
    path = folder / "watch.toml"
    path.write_text(text)
    return [(one.severity, one.line, one.key, one.got) for one in inspect_settings(path, {}).problems]


def test_a_certificate_and_its_key(tmp_path: Path) -> None:
    authority = trustme.CA().issue_cert("127.0.0.1")
    authority.cert_chain_pems[0].write_to_path(tmp_path / "web.pem")
    authority.private_key_pem.write_to_path(tmp_path / "web.key")
    both = '[web]\ncert_file = "web.pem"\nkey_file = "web.key"\n'
    assert problems_of(tmp_path, both) == []
    assert problems_of(tmp_path, '[web]\ncert_file = "web.pem"\n') == [
        ("error", 2, "web.cert_file", "no key_file")
    ]
    others = both + 'host = "0.0.0.0"\n[access]\nallowed_hosts = ["a.test"]\n'
    assert problems_of(tmp_path, others) == []


def test_a_pair_that_cannot_be_used_is_an_error_at_its_line(tmp_path: Path) -> None:
    write_pair(tmp_path)
    both = '[web]\ncert_file = "web.pem"\nkey_file = "web.key"\n'
    ((severity, line, key, got),) = problems_of(tmp_path, both)
    assert (severity, line, key) == ("error", 2, "web.cert_file")
    assert "web.key is not the key of" in got
    (tmp_path / "web.key").unlink()
    ((severity, line, key, got),) = problems_of(tmp_path, both)
    assert (severity, line, key) == ("error", 3, "web.key_file")
    assert "No such file" in got


@pytest.mark.parametrize(
    ("given", "good"),
    [
        ('["192.0.2.0/24", "2001:db8::1"]', True),
        ("[]", True),
        ('["*"]', False),
        ('["proxy.test"]', False),
        ('["192.0.2.7/24"]', False),
    ],
)
def test_proxies_are_addresses(tmp_path: Path, given: str, good: bool) -> None:
    assert (problems_of(tmp_path, f"[web]\nproxies = {given}\n") == []) == good


@pytest.mark.parametrize(
    ("rest", "warns"),
    [
        ("watch:pw@db.test/watch", True),
        ("watch:pw@db.test/watch?sslmode=require", True),
        ("watch:pw@db.test/watch?sslmode=prefer", True),
        ("/watch?host=db.test&user=watch", True),
        ("watch:pw@db.test/watch?sslmode=verify-full&sslrootcert=/etc/ca.pem", False),
        ("watch:pw@db.test/watch?sslmode=verify-ca", False),
        ("watch:pw@127.0.0.1/watch", False),
        ("watch:pw@[::1]/watch", False),
        ("watch@/watch?host=/run/postgresql", False),
        ("/watch", False),
    ],
)
def test_a_database_that_is_asked_without_a_look_at_who_it_is(tmp_path: Path, rest: str, warns: bool) -> None:
    found = problems_of(tmp_path, f'[store]\nurl = "postgresql+psycopg://{rest}"\n')
    assert [one[:3] for one in found] == [("warning", 2, "store.url")] * warns
    assert "pw" not in repr(found)


def test_the_address_of_the_store_is_no_less_secret_with_options() -> None:
    url = "postgresql+psycopg://h/d?user=u&password=Kr4nich-9&sslpassword=Kr4nich-8&sslmode=verify-full"
    shown = str(Settings.model_fields["store"].default.model_copy(update={"url": SecretUrl(url)}).url)
    assert "Kr4nich" not in shown
    assert "sslmode=verify-full" in shown
