"""The link to a PostgreSQL that demands TLS, by options of the store's address (`deploy/SECURITY.md`)."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest
import trustme
from sqlalchemy import text

from standingwatch.store.connect import Store, StoreError

PASSWORD = "Kr4nich-TLS"

#: `tls_password` and `tls_certificate` are databases that nobody reaches in clear.
RULES = """\
hostssl tls_password all 127.0.0.1/32 scram-sha-256
hostssl tls_certificate all 127.0.0.1/32 cert
host tls_password,tls_certificate all all reject
"""


@pytest.fixture
def server(postgres_port: int, tmp_path: Path) -> Iterator[tuple[int, Path]]:
    """The tests' PostgreSQL, with TLS and those two databases while a test lasts; a folder of files."""
    authority, other = trustme.CA(), trustme.CA()
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    other.cert_pem.write_to_path(tmp_path / "other-ca.pem")
    ours = authority.issue_cert("client.test", common_name="watch")
    ours.cert_chain_pems[0].write_to_path(tmp_path / "client.pem")
    ours.private_key_pem.write_to_path(tmp_path / "client.key")
    (tmp_path / "client.key").chmod(0o600)
    with psycopg.connect(
        f"host=127.0.0.1 port={postgres_port} user=watch dbname=postgres", autocommit=True
    ) as admin:
        (shown,) = admin.execute("SHOW data_directory").fetchone() or ("",)
        data = Path(shown)
        its = authority.issue_cert("127.0.0.1")
        its.cert_chain_pems[0].write_to_path(data / "server.crt")
        its.private_key_pem.write_to_path(data / "server.key")
        authority.cert_pem.write_to_path(data / "clients.crt")
        for name in ("server.crt", "server.key", "clients.crt"):
            (data / name).chmod(0o600)
            if os.geteuid() == 0:
                shutil.chown(data / name, "postgres", "postgres")
        rules = data / "pg_hba.conf"
        before = rules.read_text()
        for name in ("tls_password", "tls_certificate"):
            admin.execute(f"CREATE DATABASE {name}")
        admin.execute(f"CREATE ROLE keeper LOGIN SUPERUSER PASSWORD '{PASSWORD}'")
        try:
            rules.write_text(RULES + before)
            admin.execute("ALTER SYSTEM SET ssl_ca_file = 'clients.crt'")
            admin.execute("ALTER SYSTEM SET ssl = on")
            admin.execute("SELECT pg_reload_conf()")
            yield postgres_port, tmp_path
        finally:
            rules.write_text(before)
            admin.execute("ALTER SYSTEM RESET ssl")
            admin.execute("ALTER SYSTEM RESET ssl_ca_file")
            admin.execute("SELECT pg_reload_conf()")
            for name in ("tls_password", "tls_certificate"):
                admin.execute(f"DROP DATABASE {name} WITH (FORCE)")
            admin.execute("DROP ROLE keeper")


def use(url: str) -> tuple[bool, str]:
    """Use a store as the service does; whether its link is encrypted, and by what version."""
    store = Store(url)
    try:
        store.migrate()
        with store.reading() as connection:
            row = connection.execute(
                text("SELECT ssl, version FROM pg_stat_ssl WHERE pid = pg_backend_pid()")
            )
            encrypted, version = row.one()
            return bool(encrypted), str(version)
    finally:
        store.close()


@pytest.fixture
def address(server: tuple[int, Path]) -> Callable[[str, str, str], str]:
    port, folder = server

    def make(who: str, database: str, options: str) -> str:
        url = f"postgresql+psycopg://{who}@127.0.0.1:{port}/{database}?{options}"
        return url.replace("FOLDER", str(folder))

    return make


def test_a_database_that_demands_tls(address: Callable[[str, str, str], str]) -> None:
    verified = "sslmode=verify-full&sslrootcert=FOLDER/ca.pem"
    encrypted, version = use(address(f"keeper:{PASSWORD}", "tls_password", verified))
    assert encrypted
    assert version in ("TLSv1.2", "TLSv1.3")
    # By a certificate of ours in place of a password.
    with_ours = f"{verified}&sslcert=FOLDER/client.pem&sslkey=FOLDER/client.key"
    assert use(address("watch", "tls_certificate", with_ours))[0]
    for who, database, options, said in (
        (f"keeper:{PASSWORD}", "tls_password", "sslmode=disable", "no encryption|rejects connection"),
        (
            f"keeper:{PASSWORD}",
            "tls_password",
            "sslmode=verify-full&sslrootcert=FOLDER/other-ca.pem",
            "certificate verify failed",
        ),
        (f"keeper:{PASSWORD[::-1]}", "tls_password", verified, "password authentication failed"),
        ("watch", "tls_certificate", verified, "valid client certificate"),
        ("keeper", "tls_certificate", with_ours, "certificate authentication failed"),
        # Another name than the one in the certificate, though it leads to the same server.
        (f"keeper:{PASSWORD}", "tls_password", f"{verified}&host=localhost", "does not match host name"),
    ):
        with pytest.raises(StoreError, match=said) as caught:
            use(address(who, database, options))
        assert PASSWORD not in str(caught.value)
        assert PASSWORD[::-1] not in str(caught.value)
