"""What all routes share: the store, the clock, what is kept between requests, and making pages with forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from standingwatch.detect.words import Condition, Severity
from standingwatch.store.connect import Store
from standingwatch.web.form import give_token, token_of, who
from standingwatch.web.naming import CONDITIONS
from standingwatch.web.outcomes import Outcome, Outcomes
from standingwatch.web.pages import Pages
from standingwatch.web.roster import RosterCache
from standingwatch.web.words import GRAVEST_FIRST

#: Pages that a form may lead back to.
BACK = ("/alarms", "/alarm", "/shelves", "/work", "/", "/intake", "/account", "/users")

#: What pages below which a form may lead back to begin with.
BACK_BELOW = ("/visit/",)


@dataclass(frozen=True)
class Shared:
    """What all routes share.

    Attributes:
        store: where everything is read from and what people enter is kept.
        clock: now [Unix microseconds].
        cache: the site list, kept between requests.
        pages: makes pages of templates.
        outcomes: what came of forms.
    """

    store: Store
    clock: Callable[[], int]
    cache: RosterCache
    pages: Pages
    outcomes: Outcomes

    def page(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        """A page with forms: with the token of the session, who acts, and what came of the form before."""
        token, is_new = token_of(request)
        if values.get("problems"):
            # The audit tells why nothing was done.
            request.scope.setdefault("state", {})["said"] = "; ".join(values["problems"])
        values.setdefault("outcome", self.outcomes.get(request.query_params.get("said", "")))
        values.setdefault("by", who(request))
        response = self.pages.page(template, status, token=token, **values)
        if is_new:
            give_token(response, request, token)
        return response

    def send_on(self, address: str, outcome: Outcome) -> Response:
        """After a form: send the browser on to a page (status 303) that tells what came of it."""
        parts = urlsplit(address)
        is_ours = parts.path in BACK or parts.path.startswith(BACK_BELOW)
        if parts.scheme or parts.netloc or not is_ours:
            parts = urlsplit(BACK[0])
        query = [(name, value) for name, value in parse_qsl(parts.query) if name != "said"]
        if name := self.outcomes.keep(outcome):
            query.append(("said", name))
        return RedirectResponse(parts.path + (f"?{urlencode(query)}" if query else ""), status_code=303)


def severity_of(word: str) -> Severity | None:
    """The severity of a query; None for no choice; status 400 for a word that is none."""
    known = {severity.word: severity for severity in GRAVEST_FIRST}
    if word and word not in known:
        raise HTTPException(400, f"Got severity “{word}”, wanted one of {', '.join(known)}, or none.")
    return known.get(word)


def condition_of(word: str) -> Condition | None:
    """The condition of a query; None for no choice; status 400 for a word that is none."""
    if word and word not in CONDITIONS:
        raise HTTPException(400, f"Got condition “{word}”, wanted one of {', '.join(CONDITIONS)}, or none.")
    return CONDITIONS.get(word)


def one_of(name: str, word: str, known: tuple[str, ...]) -> str:
    """A word of a query that is one of some, "" for no choice; status 400 for another."""
    if word and word not in known:
        wanted = ", ".join(filter(None, known))
        raise HTTPException(400, f"Got {name} “{word}”, wanted one of {wanted}, or none.")
    return word
