"""What a receiver tells back of our own secrets is hidden."""

from __future__ import annotations

import base64

import pytest

from standingwatch.notify.veil import veil

SECRET = "Kr4nich/9 ü"


@pytest.mark.parametrize(
    "shown",
    [
        SECRET,
        "Kr4nich/9%20%C3%BC",
        "Kr4nich%2F9%20%C3%BC",
        base64.b64encode(SECRET.encode()).decode(),
        base64.b64encode(f"watch:{SECRET}".encode()).decode(),
        base64.b64encode(f"\0watch\0{SECRET}".encode()).decode().rstrip("="),
    ],
)
def test_a_password_in_each_form_that_it_is_sent_in(shown: str) -> None:
    told = veil(SECRET, "watch")(f"you sent {shown} and {shown}, watch")
    assert shown not in told
    assert told.startswith("you sent ***")
    assert told.endswith(("***, watch", "***=, watch", "***==, watch"))


def test_what_may_be_secret_of_an_address() -> None:
    hide = veil(url="https://hooks.test/in/T0000000/long-enough-to-be?token=a%2Fbc&n=1")
    assert hide("/in/T0000000/long-enough-to-be a/bc a%2Fbc n=1") == "/in/***/*** *** *** n=1"


def test_without_secrets_nothing_is_hidden() -> None:
    assert veil(url="http://127.0.0.1:9093/api/v2/alerts")("bad request at /api/v2/alerts") == (
        "bad request at /api/v2/alerts"
    )
    assert veil()("") == ""
