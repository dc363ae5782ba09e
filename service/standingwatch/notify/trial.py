"""The event that proves a channel: it looks like any other, and says that it is none."""

from __future__ import annotations

import json
import uuid

from standingwatch.alarms.event import rfc3339
from standingwatch.alarms.shape import TrialEvent
from standingwatch.notify.content import TEST_TYPE
from standingwatch.store.outbox import Message, Subject


def trial_message(channel: str, source: str, now_us: int) -> Message:
    """A marked event that goes straight through a channel, past the outbox.

    Args:
        channel: name of the channel.
        source: the CloudEvents `source` of this service.
        now_us: now [Unix microseconds].
    """
    event_id = str(uuid.uuid4())
    time = rfc3339(now_us)
    event: TrialEvent = {
        "specversion": "1.0",
        "id": event_id,
        "source": source,
        "type": TEST_TYPE,
        "subject": "test",
        "time": time,
        "datacontenttype": "application/json",
        "data": {
            "site": None,
            "transmitter": None,
            "region": None,
            "service": None,
            "condition": None,
            "severity": "warning",
            "previous_severity": "cleared",
            "time_raised": time,
            "time_changed": time,
            "test": True,
            "text": f"A test of channel {channel} of Standing Watch, sent by hand; there is no alarm.",
        },
    }
    return Message(0, channel, event_id, Subject(), now_us, json.dumps(event), 0)
