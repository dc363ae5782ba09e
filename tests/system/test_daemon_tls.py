"""The daemon serves its pages by HTTPS as the settings say, and says why where it cannot."""

from __future__ import annotations

import ssl
from pathlib import Path

import httpx
import pytest
import trustme
from databases import environment_of, on_postgresql

from standingwatch.daemon import Daemon, StartError
from standingwatch.settings import load_settings


def test_https_from_the_settings_to_the_page(tmp_path: Path, unused_port: int) -> None:
    authority = trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    issued.cert_chain_pems[0].write_to_path(tmp_path / "web.pem")
    issued.private_key_pem.write_to_path(tmp_path / "web.key")
    path = tmp_path / "watch.toml"
    path.write_text(f"""
[web]
port = {unused_port}
cert_file = "web.pem"
key_file = "web.key"
hsts_days = 2
""")
    # Nobody need be at the port of the broker: pages are there all the same.
    settings = load_settings(path, {"STANDINGWATCH_BROKER__PORT": "9", **environment_of(tmp_path)})
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    daemon = Daemon(settings)
    try:
        daemon.start()
        assert daemon.web is not None
        assert daemon.web.address == f"https://127.0.0.1:{unused_port}/"
        with httpx.Client(
            verify=trusting, transport=httpx.HTTPTransport(verify=trusting, retries=5)
        ) as client:
            answer = client.get(daemon.web.address + "livez")
        assert answer.status_code == 200
        assert answer.headers["strict-transport-security"] == "max-age=172800"
        second = Daemon(settings, called="second" if on_postgresql() else "")
        try:
            with pytest.raises(StartError, match=f"cannot listen on 127.0.0.1:{unused_port}: .*set web.port"):
                second.start()
        finally:
            second.stop()
    finally:
        daemon.stop()
