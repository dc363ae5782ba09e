"""Real parts for the tests: a broker, a database server, and stores on both kinds of database."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import hypothesis
import paho.mqtt.client as mqtt
import psycopg
import pytest
from databases import count_made, drop_since, files_of_sqlite, new_database, use_server
from order import longest_first
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from ports import free_port
from waiting import wait_until

from standingwatch.memory import spare_loaded
from standingwatch.store.connect import Store

HERE = Path(__file__).parent

# No test is a matter of time: this machine does other things as well.
hypothesis.settings.register_profile("without-deadline", hypothesis.settings.default, deadline=None)
hypothesis.settings.load_profile("without-deadline")

#: Tests that say little more than a sibling which always runs, and take long: the same on the second kind of
#: database, in further orders and looks, or at greater length. `tests/run -m ""` runs them too.
LONG = tuple(
    re.compile(pattern)
    for pattern in (
        r"test_(?:email_chart|review_mail)\.py::.*\[postgresql",
        r"test_daemon\.py::test_(?:every_way|metrics_pass|a_site_whose_link).*\[sqlite\]",
        r"test_web_schema\.py::.*\[postgresql",
        r"_browser\.py::.*\[(?=.*\b(?:desk-dark|phone-light|dark-desk|light-phone)\b)",
        r"test_fourteen_days_come_back\[.*-(?:newest|oldest) first\]",
        r"test_a_regional_ice_storm\[postgresql\]",
        r"test_every_message_of_the_demo",
        r"test_reports_wait_while_nobody_listens",
        r"test_backlog_goes_out_in_arrays_at_the_rate_that_is_set",
        r"test_each_change_is_delivered_once_per_id\[sqlite\]",
        r"test_atheris_finds_no_crash_in_seconds",
        r"test_installed_again_upgraded_undone_and_removed",
        r"test_what_cannot_be_used_is_kept_and_put_in_again\[postgresql\]",
        r"test_wire_schemas\.py::",
        r"test_outlooks\.py::.*\[ordinary\]",
        r"test_reports_do_not_depend_on_how_the_span_is_cut",
        r"test_out_and_in_again_is_the_same\[csv\]",
        r"test_fourteen_days_come_back\[sqlite",
        r"test_a_burst_through_a_real_broker_with_a_restart_in_its_middle\[postgresql\]",
        r"test_a_kill_between_the_parts_of_a_report_and_it_is_joined\[sqlite\]",
        r"test_what_is_known_already_is_not_sent_again",
        r"test_store_upgrades\.py::.*\[postgresql-000[2-8]",
        r"test_store_upgrades\.py::.*\[000[2-8]-postgresql",
    )
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Where stores are that a test has on one kind of database only."""
    words = "kind of database of all stores: those that no marker binds to SQLite are on PostgreSQL then"
    parser.addoption("--store", choices=("sqlite", "postgresql"), default="sqlite", help=words)


def pytest_itemcollected(item: pytest.Item) -> None:
    """Mark the long ones."""
    about = item.get_closest_marker("sqlite_only")
    if about is not None and not (about.args and about.args[0]):
        raise pytest.UsageError(f"{item.nodeid}: sqlite_only wants a reason")
    # A sibling on SQLite says the same only where it runs.
    on_server = item.config.getoption("--store") == "postgresql"
    patterns = [pattern for pattern in LONG if not (on_server and "postgresql" in pattern.pattern)]
    if any(pattern.search(item.nodeid) for pattern in patterns):
        item.add_marker(pytest.mark.long)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is about SQLite when stores are on PostgreSQL; then put all in an order for several."""
    if config.getoption("--store") == "postgresql":
        left_out = [item for item in items if is_about_sqlite(item)]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not is_about_sqlite(item)]
    processes = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if processes > 1:
        items[:] = longest_first(items, [item.path.name for item in items], processes)


def pytest_collection_finish() -> None:
    """Take all that was loaded out of the collector's sight: it stays, and looking through it takes time.

    Measured on 53 tests of pages: 2.5 of 13 s of the processor.
    """
    spare_loaded()


def is_about_sqlite(item: pytest.Item) -> bool:
    """Whether a test, or this form of it, says something of SQLite alone."""
    of_form: dict[str, Any] = getattr(getattr(item, "callspec", None), "params", {})
    return item.get_closest_marker("sqlite_only") is not None or of_form.get("store_url") == "sqlite"


def program(name: str) -> str:
    """Path of a program that the tests need; missing ones are an error, not a reason to skip."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        pytest.fail(f"{name} is not installed; tests/run installs what the tests need")
    return found


# Broker -------------------------------------------------------------------------------------------------

MOSQUITTO_SETTINGS = """\
listener {port} 127.0.0.1
persistence false
max_queued_messages 500000
max_queued_bytes 0
max_inflight_messages {inflight}
"""

ANYBODY = "allow_anonymous true\n"


@dataclass
class Broker:
    """A mosquitto of the tests' own."""

    port: int
    folder: Path
    inflight: int = 1000
    more_settings: str = ANYBODY
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        settings = self.folder / f"mosquitto-{self.port}.conf"
        # As root it would become a user that cannot read the tests' folders.
        user = "user root\n" if os.geteuid() == 0 else ""
        lines = MOSQUITTO_SETTINGS.format(port=self.port, inflight=self.inflight)
        settings.write_text(user + lines + self.more_settings)
        self.process = subprocess.Popen(
            [program("mosquitto"), "-c", str(settings)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_until(self.answers, 30, "mosquitto listens")

    def answers(self) -> bool:
        with closing(socket.socket()) as sock:
            return sock.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@contextmanager
def running_broker(folder: Path, inflight: int = 1000, more_settings: str = ANYBODY) -> Iterator[Broker]:
    broker = Broker(free_port(), folder, inflight, more_settings)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A fresh broker."""
    with running_broker(tmp_path) as running:
        yield running


@pytest.fixture(scope="session")
def run_broker() -> Callable[..., Any]:
    """Runs another broker: `with run_broker(folder, inflight=5) as broker`."""
    return running_broker


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all processes of this run of the tests share, for `shared.made_once`."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture
def unused_port() -> int:
    """A TCP port of the loopback that nobody listens on."""
    return free_port()


@pytest.fixture
def listen() -> type[Listener]:
    """The class of listeners: `with listen(port, filter) as heard`."""
    return Listener


def end_client(client: mqtt.Client) -> None:
    """Disconnect, and close what paho's thread may have left open when it ended."""
    client.disconnect()
    client.loop_stop()
    left_open = client.socket()
    if left_open is not None:
        left_open.close()


@pytest.fixture
def connect_client() -> Iterator[Callable[[int], mqtt.Client]]:
    """Makes a running client of the broker at a port; it is ended with the test."""
    made: list[mqtt.Client] = []

    def connect(port: int) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.max_inflight_messages_set(500)
        client.connect("127.0.0.1", port)
        client.loop_start()
        made.append(client)
        return client

    yield connect
    for client in made:
        end_client(client)


@dataclass
class Listener:
    """Everything that came on a filter, in order."""

    port: int
    filter: str
    messages: list[tuple[str, bytes, bool]] = field(default_factory=list)

    def __enter__(self) -> Listener:
        subscribed: list[bool] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = lambda _c, _d, m: self.messages.append(
            (m.topic, bytes(m.payload), bool(m.retain))
        )
        self.client.on_connect = lambda c, *_: c.subscribe(self.filter, qos=1)
        self.client.on_subscribe = lambda *_: subscribed.append(True)
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        wait_until(lambda: subscribed, 30, f"subscribed to {self.filter}")
        return self

    def __exit__(self, *_: object) -> None:
        end_client(self.client)


# Databases ----------------------------------------------------------------------------------------------


def _as_server_user(folder: Path) -> list[str]:
    """PostgreSQL refuses to run as root: then it runs as the user that its package made."""
    if os.geteuid() != 0:
        return []
    shutil.chown(folder, "postgres", "postgres")
    return ["runuser", "-u", "postgres", "--"]


def _postgres_programs() -> Path:
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))
    if not folders:
        pytest.fail("PostgreSQL's server is not installed; tests/run installs what the tests need")
    return folders[-1]


@pytest.fixture(scope="session")
def postgres_port() -> Iterator[int]:
    """A PostgreSQL server of the tests' own, on a free port of the loopback."""
    # Not in pytest's own folder, which the server's user may not enter.
    folder = Path(tempfile.mkdtemp(prefix="standingwatch-postgres-"))
    folder.chmod(0o755)
    run_as = _as_server_user(folder)
    programs = _postgres_programs()
    data = folder / "data"
    subprocess.run(
        [*run_as, str(programs / "initdb"), "-D", str(data), "-U", "watch", "-A", "trust", "-E", "UTF8"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    port = free_port()
    server = subprocess.Popen(
        [
            *run_as,
            str(programs / "postgres"),
            *("-D", str(data), "-p", str(port), "-c", "listen_addresses=127.0.0.1"),
            *("-k", str(folder), "-c", "fsync=off"),
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )

    def answers() -> bool:
        try:
            psycopg.connect(f"host=127.0.0.1 port={port} user=watch dbname=postgres").close()
        except psycopg.OperationalError:
            return False
        return True

    try:
        wait_until(answers, 30, "PostgreSQL answers")
        yield port
    finally:
        server.terminate()
        server.wait(20)
        shutil.rmtree(folder)


@pytest.fixture(scope="session", autouse=True)
def _on_chosen_store(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """With `--store postgresql`: stores are on a server, and at the end no file of SQLite has come about."""
    if request.config.getoption("--store") != "postgresql":
        yield
        return
    use_server(request.getfixturevalue("postgres_port"))
    yield
    found = files_of_sqlite(tmp_path_factory.getbasetemp())
    assert found == [], "stores on SQLite although --store postgresql: mark their tests, or use address_of"


@pytest.fixture(autouse=True)
def _databases_of_one_test(request: pytest.FixtureRequest, _on_chosen_store: None) -> Iterator[None]:
    """With `--store postgresql`: what a test had a server make goes with it."""
    before = count_made()
    yield
    if request.config.getoption("--store") == "postgresql":
        drop_since(before)


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database, of each kind in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/store.sqlite"
    return new_database(request.getfixturevalue("postgres_port"))


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    """A store with its tables, on each kind of database in turn."""
    made = Store(store_url)
    made.migrate()
    yield made
    made.close()
