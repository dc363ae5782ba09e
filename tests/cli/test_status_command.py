"""`standingwatch status`: what it says is wrong, and whom it believes; as a whole in tests/system."""

from __future__ import annotations

import json
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import numpy as np
import pytest
import trustme
from databases import address_of, url_in
from sqlalchemy import text

from standingwatch.cli.main import main
from standingwatch.cli.status import ask_daemon
from standingwatch.inventory import read_inventory_text
from standingwatch.readings import Readings
from standingwatch.settings import WebSettings
from standingwatch.store.connect import Store
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import note_job
from standingwatch.store.watchman import HEARTBEAT_NOTE, save_note

READY = b'{"ready": true, "reasons": [], "uptime_s": 5.0}'


class Answers(BaseHTTPRequestHandler):
    """Gives one answer at every address."""

    body = READY

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", str(len(self.body)))
        self.end_headers()
        self.wfile.write(self.body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def serving(body: bytes, context: ssl.SSLContext | None = None) -> Iterator[int]:
    """A server on a free port of the loopback."""
    server = HTTPServer(("127.0.0.1", 0), type("Answering", (Answers,), {"body": body}))
    if context is not None:
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield int(server.server_address[1])
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_the_daemon_is_believed_by_its_own_certificate_alone(tmp_path: Path) -> None:
    names = {}
    authority = trustme.CA()
    for name in ("ours", "theirs"):
        # For another name than the one that is asked: the file itself is what is trusted.
        certificate = authority.issue_cert("watch.example")
        certificate.cert_chain_pems[0].write_to_path(tmp_path / f"{name}.pem")
        certificate.private_key_pem.write_to_path(tmp_path / f"{name}.key")
        names[name] = certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    names["ours"].configure_cert(context)
    with serving(READY, context) as port:

        def asked(name: str) -> WebSettings:
            return WebSettings(
                port=port, cert_file=tmp_path / f"{name}.pem", key_file=tmp_path / f"{name}.key"
            )

        ours = ask_daemon(asked("ours"))
        assert ours.answer == {"ready": True, "reasons": [], "uptime_s": 5.0}
        assert ours.address == f"https://127.0.0.1:{port}/readyz"
        theirs = ask_daemon(asked("theirs"))
        assert theirs.answer is None
        assert "certificate" in theirs.problem.lower()


@pytest.mark.parametrize("body", [b"<html>", b"[]", b'{"ready": "yes"}'])
def test_what_else_answers_there_is_not_the_daemon(body: bytes) -> None:
    with serving(body) as port:
        found = ask_daemon(WebSettings(host="0.0.0.0", port=port))
    assert found.answer is None
    assert f"http://127.0.0.1:{port}/readyz" in found.problem


@pytest.fixture
def folder(tmp_path: Path, unused_port: int, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with settings and a store of one transmitter; its daemon does not run."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "standingwatch.toml").write_text(
        f'[store]\nurl = "{url_in(tmp_path)}"\n[web]\nport = {unused_port}\n'
    )
    rows = read_inventory_text("site,transmitter,frequency_mhz\nalder,rpt-1,155\n", "sites.csv").rows
    store = Store(address_of(tmp_path / "store.sqlite"))
    store.migrate()
    with store.writing() as connection:
        replace_site_list(connection, rows, 1)
    store.close()
    return tmp_path


@contextmanager
def changing(folder: Path) -> Iterator[Store]:
    store = Store(address_of(folder / "store.sqlite"))
    yield store
    store.close()


def test_down_and_what_the_store_tells(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with changing(folder) as store, store.writing() as connection:
        note_job(connection, "retention", 1, 2, "OSError: no room")
    assert main(["status", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    down, job = found["problems"]
    assert down.startswith("the daemon does not run: no answer from http://127.0.0.1:")
    assert job == "job retention failed: OSError: no room"
    assert found["store"]["transmitters"] == 1
    assert found["daemon"]["answer"] is None


def test_without_its_web_pages_it_is_known_by_what_it_writes(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (folder / "standingwatch.toml").open("a") as settings:
        settings.write("enabled = false\n")
    assert main(["status"]) == 1
    assert "it has written nothing for 90 s" in capsys.readouterr().out
    with changing(folder) as store, store.writing() as connection:
        save_note(connection, HEARTBEAT_NOTE, time.time_ns() // 1000)
    assert main(["status"]) == 0
    assert capsys.readouterr().out.endswith("no problems\n")


def test_a_store_of_another_version_is_neither_read_nor_changed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with changing(folder) as store, store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0004'"))
    assert main(["status"]) == 1
    assert "its layout is that of another version" in capsys.readouterr().out
    with changing(folder) as store, store.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "0004"


@pytest.mark.sqlite_only("a file of it is damaged")
def test_a_damaged_store_is_a_problem_and_no_traceback(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "store.sqlite").write_bytes(b"this is no database" * 500)
    for name in ("store.sqlite-wal", "store.sqlite-shm"):
        (folder / name).unlink(missing_ok=True)
    assert main(["status"]) == 1
    assert "cannot be read" in capsys.readouterr().out


def test_a_full_disk_is_a_problem(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with (folder / "standingwatch.toml").open("a") as settings:
        settings.write("[watchman]\nstore_max_bytes = 1\n")
    assert main(["status"]) == 1
    assert "the disk of the store is nearly full: 0 B are free" in capsys.readouterr().out


def test_a_unit_that_was_set_wrong_is_asked_about(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site_list = "site,transmitter,frequency_mhz,rated_power_w\nalder,rpt-1,155,100\nalder,rpt-2,156,100\n"
    now_us = time.time_ns() // 1000
    with changing(folder) as store, store.writing() as connection:
        replace_site_list(connection, read_inventory_text(site_list, "sites.csv").rows, 2)
        keys = load_site_list(connection).keys
        readings = Readings.from_columns(
            {
                "transmitter": np.array([0, 1]),
                "time_us": np.array([now_us, now_us]),
                "forward_w": np.array([98_200.0, 98.2]),
                "reflected_w": np.array([1130.0, 1.13]),
            }
        )
        arrival = new_arrival(connection, now_us, len(readings))
        insert_readings(connection, arrival, readings, keys, readings.time_us)
    main(["status"])
    told = capsys.readouterr().out
    (line,) = [line for line in told.splitlines() if line.startswith("units")]
    assert "alder/rpt-1: forward power 98,200 W, where 100 W are rated: is it in mW?" in line
    main(["status", "--json"])
    (doubt,) = json.loads(capsys.readouterr().out)["store"]["units_in_doubt"]
    assert doubt.startswith("alder/rpt-1: ")
