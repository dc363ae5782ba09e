"""A host without its connection: streams of two encoders, read by payload profiles, to reports and links."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.readings.profile.model import Profile
from standingwatch.readings.sparkplug.events import AskRebirth, Message, Unusable
from standingwatch.readings.sparkplug.host import Host, HostTimes, Link, Outcome, Report
from standingwatch.readings.sparkplug.kept import kept_record, read_kept
from standingwatch.readings.sparkplug.mapping import ProfileMap

S = 1_000_000
TIMES = HostTimes(reorder_wait_us=5 * S, rebirth_every_us=60 * S, join_us=S, repeat_us=300 * S)

Make = Callable[..., Profile]


def host_of(*profiles: Profile) -> Host:
    return Host(ProfileMap(profiles), TIMES)


def take(host: Host, *messages: Message) -> list[Outcome]:
    return [one for message in messages for one in host.receive(message)]


def reports(outcomes: list[Outcome]) -> list[tuple[str, str, float, float]]:
    return [
        (o.site, o.transmitter, o.reading.forward_w, round(o.reading.reflected_w, 6))
        for o in outcomes
        if isinstance(o, Report)
    ]


def links(outcomes: list[Outcome]) -> list[tuple[str, bool]]:
    return [(o.site, o.is_online) for o in outcomes if isinstance(o, Link)]


def refusals(outcomes: list[Outcome]) -> list[str]:
    return [o.reason for o in outcomes if isinstance(o, Unusable)]


def powers(metric: Any, forward: float, reflected: float) -> tuple[Any, ...]:
    return (
        metric("Tx/Fwd", "Float", forward, alias=1),
        metric("Tx/Rfl", "Float", reflected, alias=2),
        metric("Tx/Keyed", "Boolean", True, alias=3),
        metric("Tx/Temp", "Int16", -12, alias=4),
    )


def test_birth_data_death(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    born = take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    assert links(born) == [("hill-03", True)]
    (report,) = [o for o in born if isinstance(o, Report)]
    assert report.reading._asdict() | {"time_us": 0} == {
        **dict.fromkeys(report.reading._fields),
        "time_us": 0,
        "forward_w": 100.0,
        "reflected_w": 4.0,
        "keyed": True,
        "pa_temperature_c": -12.0,
    }
    assert report.reading.time_us == edge.time_ms * 1000
    data = edge.device_data("tx-1", metric("", "Float", 50.0, alias=1), metric("", "Float", 2.0, alias=2))
    assert reports(take(host, data)) == [("hill-03", "tx-1", 50.0, 2.0)]
    death = edge.death()
    dead = take(host, death)
    assert dead == [Link("hill-03", False, death.received_us)]
    assert host.tick(death.received_us + 10_000 * S) == []


def test_one_power_alone_is_joined_after_the_window(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    data = edge.device_data("tx-1", metric("", "Float", 9.0, alias=2))
    assert take(host, data) == []
    assert reports(host.tick(data.received_us + S)) == [("hill-03", "tx-1", 100.0, 9.0)]


def test_alive_and_unchanged_is_reported_again(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    (again,) = host.tick(edge.time_ms * 1000 + 301 * S)
    assert isinstance(again, Report)
    assert again.is_repeat
    take(host, edge.device_death("tx-1"))
    assert host.tick(edge.time_ms * 1000 + 1000 * S) == []


def test_death_of_one_device_leaves_the_other_alive(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    take(host, edge.birth())
    for device, forward in (("tx-1", 100.0), ("tx-2", 50.0)):
        take(host, edge.device_birth(device, *powers(metric, forward, 4.0)))
    take(host, edge.device_death("tx-1"))
    again = host.tick(edge.time_ms * 1000 + 301 * S)
    assert reports(again) == [("hill-03", "tx-2", 50.0, 4.0)]


def test_metrics_of_the_node_itself(edge: Any, metric: Any, make_profile: Make) -> None:
    profile = make_profile(topic="north/{site}", constants={"transmitter": "main"})
    host = host_of(profile)
    born = take(host, edge.birth(*powers(metric, 100.0, 4.0)))
    assert links(born) == [("hill-03", True)]
    assert reports(born) == [("hill-03", "main", 100.0, 4.0)]
    data = edge.data(metric("", "Float", 50.0, alias=1), metric("", "Float", 2.0, alias=2))
    assert reports(take(host, data)) == [("hill-03", "main", 50.0, 2.0)]


def test_units_scales_and_names_of_the_profile(edge: Any, metric: Any, make_profile: Make) -> None:
    profile = make_profile(
        fields={
            "forward": {"metric": "Tx/Fwd", "unit": "dBm", "scale": 0.1},
            "reflected": {"metric": "Tx/SWR", "unit": "SWR"},
        },
        sites={"hill-03": "upper-hill"},
        transmitters={"tx-1": "rpt-1"},
    )
    host = host_of(profile)
    born = take(
        host,
        edge.birth(),
        edge.device_birth("tx-1", metric("Tx/Fwd", "UInt16", 500), metric("Tx/SWR", "Double", 1.5)),
    )
    # 50 dBm is 100 W; an SWR of 1.5 is rho 0.2, so 4 %.
    assert reports(born) == [("upper-hill", "rpt-1", pytest.approx(100.0), 4.0)]
    assert links(born) == [("upper-hill", True)]


def test_several_transmitters_of_one_device(edge: Any, metric: Any, make_profile: Make) -> None:
    def profile(number: int) -> Profile:
        fields = {
            "forward": {"metric": f"Tx{number}/Fwd", "unit": "W"},
            "reflected": {"metric": f"Tx{number}/Rfl", "unit": "W"},
        }
        constants = {"transmitter": f"tx-{number}"}
        return make_profile(f"p{number}", topic="north/{site}/{rack}", fields=fields, constants=constants)

    host = host_of(profile(1), profile(2))
    four = [
        metric(f"Tx{n}/{p}", "Double", v) for n in (1, 2) for p, v in (("Fwd", n * 10.0), ("Rfl", n * 0.1))
    ]
    born = take(host, edge.birth(), edge.device_birth("rack", *four))
    assert reports(born) == [("hill-03", "tx-1", 10.0, 0.1), ("hill-03", "tx-2", 20.0, 0.2)]
    # What one of them says is no report of the other.
    data = edge.device_data("rack", metric("Tx2/Fwd", "Double", 21.0), metric("Tx2/Rfl", "Double", 0.3))
    assert reports(take(host, data)) == [("hill-03", "tx-2", 21.0, 0.3)]


def test_site_with_two_nodes_is_online_while_one_is(edge_named: Any, metric: Any, make_profile: Make) -> None:
    profile = make_profile(topic="{site}/{transmitter}", fields=make_fields())
    host = host_of(profile)
    first, second = (edge_named(group="hill-03", name=name) for name in ("tx-1", "tx-2"))
    assert links(take(host, first.birth(*powers(metric, 100.0, 4.0)))) == [("hill-03", True)]
    assert links(take(host, second.birth(*powers(metric, 50.0, 4.0)))) == []
    assert links(take(host, first.death())) == []
    assert links(take(host, second.death())) == [("hill-03", False)]
    first.bd_seq = 1
    assert links(take(host, first.birth(*powers(metric, 100.0, 4.0)))) == [("hill-03", True)]


def make_fields() -> dict[str, Any]:
    return {
        "forward": {"metric": "Tx/Fwd", "unit": "W"},
        "reflected": {"metric": "Tx/Rfl", "unit": "W"},
    }


def test_node_of_several_sites(edge: Any, metric: Any, make_profile: Make) -> None:
    """A gateway whose devices are the sites."""
    profile = make_profile(topic="north/{gateway}/{site}", constants={"transmitter": "tx-1"})
    host = host_of(profile)
    assert links(take(host, edge.birth())) == []
    for site in ("upper", "lower"):
        born = take(host, edge.device_birth(site, *powers(metric, 100.0, 4.0)))
        assert links(born) == [(site, True)]
    assert links(take(host, edge.device_death("upper"))) == []
    assert links(take(host, edge.death())) == [("lower", False), ("upper", False)]


def test_death_that_comes_before_any_birth(edge: Any, make_profile: Make) -> None:
    """The host was not there when the node was born, and yet its death says something."""
    host = host_of(make_profile())
    assert links(take(host, edge.death())) == [("hill-03", False)]


def test_lost_message_joins_nothing_of_before(edge: Any, metric: Any, make_profile: Make) -> None:
    """The reflection that was lost would have told of a fault; the one before must not stand for it."""
    host = host_of(make_profile())
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 0.5)))
    edge.device_data("tx-1", metric("", "Float", 40.0, alias=2))  # lost
    data = edge.device_data("tx-1", metric("", "Float", 99.0, alias=1))
    assert take(host, data) == []
    late_us = data.received_us + 5 * S
    first = host.tick(late_us)
    assert len([o for o in first if isinstance(o, AskRebirth)]) == 1
    made = first + host.tick(late_us + 2 * S)
    assert reports(made) == []
    assert refusals(made) == ["no-power"]
    # The births bring the state again.
    born = take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 99.0, 40.0)))
    assert reports(born) == [("hill-03", "tx-1", 99.0, 40.0)]


def test_values_of_the_past(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    past = [
        metric(name, "Float", value * (i + 1), timestamp=edge.time_ms - 600_000 + 60_000 * i, historical=True)
        for i in range(3)
        for name, value in (("Tx/Fwd", 10.0), ("Tx/Rfl", 1.0))
    ]
    made = [o for o in take(host, edge.device_data("tx-1", *past)) if isinstance(o, Report)]
    assert [(o.reading.time_us // 1000, o.reading.forward_w) for o in made] == [
        (past[2 * i].timestamp, 10.0 * (i + 1)) for i in range(3)
    ]
    # What was last known of the present is unchanged.
    (again,) = host.tick(edge.time_ms * 1000 + 301 * S)
    assert isinstance(again, Report)
    assert again.reading.forward_w == 100.0


def test_null_is_no_value(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    data = edge.device_data("tx-1", metric("", "Float", None, alias=1), metric("", "Float", 2.0, alias=2))
    made = take(host, data)
    assert refusals(made) == ["no-power"]
    assert reports(made) == []


def test_a_clock_that_was_never_set(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    edge.time_ms = 86_400_000  # 1970-01-02
    made = take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    assert reports(made) == []
    (bad,) = [o for o in made if isinstance(o, Unusable)]
    assert bad.reason == "bad-time"
    # The site is online all the same, since the receipt.
    (link,) = [o for o in made if isinstance(o, Link)]
    assert link == Link("hill-03", True, (86_400_000 + 1000 + 100) * 1000)


def test_a_clock_that_is_ahead_puts_no_link_into_the_future(
    edge: Any, metric: Any, make_profile: Make
) -> None:
    host = host_of(make_profile())
    birth = edge.birth()
    early = birth._replace(received_us=birth.received_us - 3600 * S)
    assert [o for o in take(host, early) if isinstance(o, Link)] == [Link("hill-03", True, early.received_us)]


def test_what_a_metric_holds_that_is_no_number(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    text = metric("Tx/Fwd", "String", "much")
    made = take(host, edge.birth(), edge.device_birth("tx-1", text, metric("Tx/Rfl", "Double", 1.0)))
    (bad,) = [o for o in made if isinstance(o, Unusable)]
    assert bad.reason == "not-a-number"
    assert bad.detail.startswith("profile plain: ")
    assert bad.source.topic == edge.sent[-1].topic
    # Kept so that it can be read again without its session, once the profile is mended.
    assert json.loads(bad.source.payload) == {
        "profile": "plain",
        "time_ms": edge.time_ms,
        "metrics": {"Tx/Fwd": "much", "Tx/Rfl": 1.0},
    }


def test_what_was_refused_is_read_by_its_own_profile_or_by_all_that_fit(make_profile: Make) -> None:
    def profile(name: str, transmitter: str) -> Profile:
        constants = {"transmitter": transmitter}
        return make_profile(name, topic="north/{site}/{rack}", constants=constants)

    kept = kept_record("a", 1_795_000_000_000_000, {"Tx/Fwd": 100.0, "Tx/Rfl": 4.0})
    topic = "spBv1.0/north/DDATA/hill-03/rack"

    def read(payload: bytes, *profiles: Profile) -> list[tuple[str, str, int]]:
        found = read_kept(ProfileMap(profiles), topic, payload, 5, time_if_absent="refuse")
        return [(p.site, p.transmitter, p.reading.time_us) for _, one in found for p in one.placed]

    both = [profile("a", "tx-1"), profile("b", "tx-2")]
    assert read(kept, *both) == [("hill-03", "tx-1", 1_795_000_000_000_000)]
    renamed = [profile("c", "tx-1"), profile("b", "tx-2")]
    assert [place[1] for place in read(kept, *renamed)] == ["tx-1", "tx-2"]
    for other in (b"", b"\xff", b"{}", b"[]", b'{"metrics": 1, "time_ms": 1, "profile": "a"}', b"[" * 10**5):
        assert read(other, *both) == []


def test_names_that_cannot_be_levels_of_a_topic(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile(sites={"hill-03": "upper/hill"}))
    made = take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    assert refusals(made) == ["unknown-place"]
    assert links(made) == []


def test_our_connection_lost_and_there_again(edge: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile())
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    now_us = edge.time_ms * 1000 + S
    assert host.connection_lost(now_us) == []  # we know nothing of the site's link
    assert host.tick(now_us + 1000 * S) == []  # and repeat nothing
    (ask,) = host.connected(now_us + 1000 * S)
    assert isinstance(ask, AskRebirth)
    born = take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 90.0, 4.0)))
    assert reports(born) == [("hill-03", "tx-1", 90.0, 4.0)]
    assert links(born) == []  # said already


@pytest.mark.parametrize(
    ("changes", "nodes"),
    [
        ({}, {("north", "hill-03"), ("north", "hill-04")}),
        ({"sites": {"0003": "hill-03"}}, {("north", "0003"), ("north", "hill-04")}),
        ({"topic": "{site}/{transmitter}"}, {("hill-03", "tx-1"), ("hill-03", "tx-2"), ("hill-04", "tx-1")}),
        (
            {"topic": "{site}/{transmitter}", "transmitters": {"hill-03/A": "tx-1", "B": "tx-2"}},
            {("hill-03", "A"), ("hill-03", "B"), ("hill-04", "tx-1")},
        ),
        # Their hill-04 is another one of ours, so that ours cannot be theirs.
        ({"sites": {"hill-04": "upper"}}, {("north", "hill-03")}),
        # Which gateway it is, nobody can tell.
        ({"topic": "north/{gateway}/{site}", "constants": {"transmitter": "tx-1"}}, set()),
        # One gateway for all sites.
        ({"topic": "north/gate/{site}", "constants": {"transmitter": "tx-1"}}, {("north", "gate")}),
    ],
)
def test_nodes_that_should_be_there(make_profile: Make, changes: dict[str, Any], nodes: set[Any]) -> None:
    places = [("hill-03", "tx-1"), ("hill-03", "tx-2"), ("hill-04", "tx-1")]
    assert ProfileMap([make_profile(**changes)]).nodes(places) == nodes


def test_profile_of_the_site_list_wins(edge: Any, metric: Any, make_profile: Make) -> None:
    def profile(name: str, scale: float) -> Profile:
        fields = make_fields()
        fields["forward"]["scale"] = scale
        return make_profile(name, fields=fields)

    def births() -> list[Outcome]:
        return take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))

    host = host_of(profile("a", 1.0), profile("b", 10.0))
    # Of two for one transmitter the first, and not both.
    assert reports(births()) == [("hill-03", "tx-1", 100.0, 4.0)]
    host.expect([("hill-03", "tx-1", "b")], edge.time_ms * 1000)
    assert reports(births()) == [("hill-03", "tx-1", 1000.0, 4.0)]
    # One that reads something else entirely: said, and not passed over.
    host.expect([("hill-03", "tx-1", "lines")], edge.time_ms * 1000)
    said = births()
    assert reports(said) == []
    assert refusals(said) == ["unknown-place"]
    assert "says profile lines for hill-03/tx-1" in next(o.detail for o in said if isinstance(o, Unusable))


def test_nodes_that_are_not_heard_of_are_asked(edge: Any, metric: Any, make_profile: Make) -> None:
    """Born before this host came, and without a change to tell: else nobody would ever know of them."""
    host = host_of(make_profile())
    now_us = edge.time_ms * 1000
    places = [("hill-03", "tx-1", ""), ("hill-04", "tx-1", "")]
    host.expect(places, now_us)
    take(host, edge.birth(), edge.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    asked = [host.tick(now_us + second * S) for second in range(200)]
    # Once after 60 s, again 60 s later, then after 120 s; and the one that was born is never asked.
    found = [
        (second, one.node.node)
        for second, out in enumerate(asked)
        for one in out
        if isinstance(one, AskRebirth)
    ]
    assert found == [(60, "hill-04"), (120, "hill-04")]
    # Looked at again, the list changes nothing for those that are there.
    host.expect(places, now_us + 201 * S)
    data = edge.device_data("tx-1", metric("", "Float", 50.0, alias=1), metric("", "Float", 2.0, alias=2))
    assert reports(take(host, data)) == [("hill-03", "tx-1", 50.0, 2.0)]
    assert [o for o in host.tick(now_us + 202 * S) if isinstance(o, AskRebirth)] == []


def test_foreign_nodes_and_devices(edge: Any, edge_named: Any, metric: Any, make_profile: Make) -> None:
    host = host_of(make_profile(topic="north/{site}/tx-1", constants={"transmitter": "a"}))
    stranger = edge_named(group="plant", name="press")
    stranger.birth()
    assert take(host, stranger.data(metric("A", "Double", 1.0))) == []
    assert not host.knows(stranger.sent[-1].topic)
    made = take(host, edge.birth(), edge.device_birth("fan", *powers(metric, 1.0, 0.1)))
    assert reports(made) == []
    assert refusals(made) == []
    assert host.knows(edge.sent[-1].topic)
