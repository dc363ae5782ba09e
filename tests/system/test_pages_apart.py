"""Beside the daemon on a store on SQLite, another process may serve pages, and do nothing else."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from standingwatch.daemon import Daemon, StartError
from standingwatch.settings import load_settings
from standingwatch.store.claims import OneProcess
from standingwatch.store.connect import Store


@pytest.mark.sqlite_only("processes share a file")
def test_pages_alone_share_a_file_with_the_daemon(tmp_path: Path, unused_port: int) -> None:
    path = tmp_path / "watch.toml"
    path.write_text(f'[store]\nurl = "sqlite:///{tmp_path}/store.sqlite"\n[web]\nport = {unused_port}\n')
    settings = load_settings(path, {})
    store = Store(settings.store.url.get_secret_value())
    daemons_right = OneProcess(store)  # as the daemon has it for as long as it runs
    pages = Daemon(settings, kinds=("web",), called="pages")
    try:
        pages.start()
        with httpx.Client(transport=httpx.HTTPTransport(retries=5)) as client:
            assert client.get(f"http://127.0.0.1:{unused_port}/livez").status_code == 200
        # It took no part in the work, so that the daemon can be stopped and started beside it.
        daemons_right.let_go()
        OneProcess(store).let_go()
        for kinds in (("web", "intake"), ("watch",)):
            with pytest.raises(
                StartError, match=r"--parts: several processes cannot share a store on SQLite"
            ):
                Daemon(settings, kinds=kinds).start()
    finally:
        pages.stop()
        store.close()
