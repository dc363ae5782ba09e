"""No message whatever makes the host raise, nor lose what a node says that is born afterwards."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from standingwatch.readings.sparkplug.events import AskRebirth, Message, Unusable
from standingwatch.readings.sparkplug.host import Host, HostTimes, Link, Report
from standingwatch.readings.sparkplug.mapping import ProfileMap
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import Payload as Wire

S = 1_000_000
T0 = 1_795_000_000 * S
UINT64 = st.integers(0, 2**64 - 1)
TIMES = st.one_of(st.none(), UINT64, st.integers(T0 // 1000 - 10_000, T0 // 1000 + 10_000))
NAMES = st.sampled_from(["Tx/Fwd", "Tx/Rfl", "Tx/Keyed", "Tx/Temp", "bdSeq", "Other", ""])
#: Fields of the schema that hold a value, with values of each.
FIELDS: dict[str, st.SearchStrategy[Any]] = {
    "int_value": st.integers(0, 2**32 - 1),
    "long_value": UINT64,
    "float_value": st.floats(width=32),
    "double_value": st.floats(),
    "boolean_value": st.booleans(),
    "string_value": st.text(max_size=5),
    "bytes_value": st.binary(max_size=5),
}


@st.composite
def metrics(draw: st.DrawFn) -> Wire.Metric:
    made = Wire.Metric()
    if draw(st.booleans()):
        made.name = draw(NAMES)
    if draw(st.booleans()):
        made.alias = draw(st.one_of(st.integers(0, 4), UINT64))
    if (time_ms := draw(TIMES)) is not None:
        made.timestamp = time_ms
    if draw(st.booleans()):
        made.datatype = draw(st.one_of(st.integers(0, 40), st.integers(0, 2**32 - 1)))
    made.is_null = draw(st.integers(0, 9)) == 0
    made.is_historical = draw(st.integers(0, 4)) == 0
    field = draw(st.sampled_from([*FIELDS, "template_value", "dataset_value", ""]))
    if field in FIELDS:
        setattr(made, field, draw(FIELDS[field]))
    elif field:
        getattr(made, field).SetInParent()
    return made


@st.composite
def payloads(draw: st.DrawFn) -> bytes:
    made = Wire()
    if (time_ms := draw(TIMES)) is not None:
        made.timestamp = time_ms
    if draw(st.integers(0, 9)):
        made.seq = draw(st.one_of(st.integers(0, 5), st.integers(0, 300), UINT64))
    made.metrics.extend(draw(st.lists(metrics(), max_size=6)))
    body = made.SerializeToString()
    if draw(st.integers(0, 9)) == 0:
        cut = draw(st.integers(0, len(body)))
        body = body[:cut] + draw(st.binary(max_size=4)) + body[cut:]
    return body


topics = st.one_of(
    st.tuples(
        st.sampled_from(["NBIRTH", "NDEATH", "NDATA", "DBIRTH", "DDEATH", "DDATA", "NCMD", "STATE", "X"]),
        st.sampled_from(["hill-03", "hill-04"]),
        st.sampled_from(["", "/tx-1", "/tx-2"]),
    ).map(lambda parts: f"spBv1.0/north/{parts[0]}/{parts[1]}{parts[2]}"),
    st.text(max_size=30),
)
steps = st.lists(
    st.one_of(
        st.tuples(topics, st.one_of(payloads(), st.binary(max_size=40))),
        st.sampled_from(["tick", "lost", "connected"]),
    ),
    max_size=25,
)


@settings(
    max_examples=400,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(steps=steps)
@example(steps=[("spBv1.0/north/NDATA/hill-03", b"\x18\x01")]).via("has the number of the birth's successor")
def test_any_stream(make_profile: Any, steps: list[Any]) -> None:
    host = Host(ProfileMap([make_profile()]), HostTimes(5 * S, 60 * S, S, 300 * S))
    now_us = T0
    sources, came = set(), set()
    for step in steps:
        now_us += S
        if step == "tick":
            now_us += 10 * S
            outcomes = host.tick(now_us)
        elif step == "lost":
            outcomes = host.connection_lost(now_us)
        elif step == "connected":
            outcomes = host.connected(now_us)
        else:
            sources.add(Message(*step, now_us))
            came.add((step[0], now_us))
            outcomes = host.receive(Message(*step, now_us))
        for outcome in outcomes:
            if isinstance(outcome, Unusable):
                assert outcome.reason
                assert outcome.detail
                assert (outcome.source.topic, outcome.source.received_us) in came
            elif isinstance(outcome, Report):
                reading = outcome.reading
                assert reading.forward_w == reading.forward_w  # never a NaN
                assert reading.reflected_w == reading.reflected_w
                assert outcome.source in sources
            else:
                assert isinstance(outcome, AskRebirth | Link)
    online, offline, _, waiting = host.counts()
    assert waiting <= online + offline <= 2
    # A node that is born now is heard, whatever came before.
    now_us += 100 * S
    host.tick(now_us)  # as the caller does a few times a second: nothing waits for its turn any more
    birth = Wire(timestamp=now_us // 1000, seq=0)
    birth.metrics.add(name="bdSeq", long_value=1)
    host.receive(Message("spBv1.0/north/NBIRTH/hill-03", birth.SerializeToString(), now_us))
    device = Wire(timestamp=now_us // 1000, seq=1)
    for name, value in (("Tx/Fwd", 100.0), ("Tx/Rfl", 4.0)):
        device.metrics.add(name=name, datatype=10, double_value=value, timestamp=now_us // 1000)
    made = host.receive(Message("spBv1.0/north/DBIRTH/hill-03/tx-1", device.SerializeToString(), now_us))
    found = [
        one.reading
        for one in made
        if isinstance(one, Report) and one.reading.time_us == now_us // 1000 * 1000
    ]
    assert [(one.forward_w, one.reflected_w) for one in found] == [(100.0, 4.0)]


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(order=st.permutations(range(12)), first=st.integers(0, 255))
def test_any_order_within_the_wait_gives_the_same_reports(
    make_profile: Any, order: list[int], first: int
) -> None:
    """Twelve messages of one node, each with both powers, in whatever order they come after the births."""
    host = Host(ProfileMap([make_profile()]), HostTimes(60 * S, 60 * S, S, 0))
    messages = []
    for i in range(14):
        wire = Wire(timestamp=T0 // 1000 + i, seq=(first + i) % 256)
        if i == 0:
            wire.metrics.add(name="bdSeq", long_value=1)
        else:
            for name, alias, value in (("Tx/Fwd", 1, 100.0 + i), ("Tx/Rfl", 2, 4.0)):
                made = wire.metrics.add(alias=alias, double_value=value, timestamp=T0 // 1000 + i)
                if i == 1:
                    made.name, made.datatype = name, 10
        kind = {0: "NBIRTH/hill-03", 1: "DBIRTH/hill-03/tx-1"}.get(i, "DDATA/hill-03/tx-1")
        messages.append(Message(f"spBv1.0/north/{kind}", wire.SerializeToString(), T0 + i * 1000))
    outcomes = []
    for i in (0, 1, *(2 + i for i in order)):
        outcomes += host.receive(messages[i])
    assert [o.reading.forward_w for o in outcomes if isinstance(o, Report)] == [
        100.0 + i for i in range(1, 14)
    ]
    assert [o for o in outcomes if isinstance(o, Unusable | AskRebirth)] == []
