"""The overnight review as a document: HTML and text for a mail or a file, charts, and a CSV table."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import REACHED, day, instant, limit_name, number, several
from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Condition
from standingwatch.notify.channel import RefusedError
from standingwatch.notify.drawing import ChartError
from standingwatch.notify.review_drawing import draw_apart
from standingwatch.review.overnight import Item, Review, swr_of
from standingwatch.review.section_words import ASIDE, NO_DATA_WORDS, SECTIONS, URGENCY_WORDS, costs_db
from standingwatch.review.small_chart import SmallChart, small_chart
from standingwatch.review.summary import cause_record, time_left
from standingwatch.review.table import as_csv
from standingwatch.store.connect import Store
from standingwatch.store.outbox import Message
from standingwatch.store.review_due import REVIEW_TYPE
from standingwatch.store.reviews import load_review

log = logging.getLogger("standingwatch.notify")

TEMPLATES = Path(__file__).parent / "templates"

#: So many charts are in a mail, of the most urgent: each is some ten kilobytes.
MOST_CHARTS = 20

DECIDED_WORDS = {"proven": "proven fixed", "not-fixed": "not fixed"}

#: Bar beside an item, by severity (colours of M. Okabe and K. Ito); the word stands beside it.
COLOURS = {
    "critical": "#d55e00",
    "major": "#e69f00",
    "minor": "#f0e442",
    "warning": "#56b4e9",
}


@dataclass(frozen=True)
class ReviewMail:
    """What a review mail is made of.

    Attributes:
        subject: its subject.
        text, html: its body.
        pictures: charts as PNG by their content id, without brackets.
        csv_name, csv: the table.
    """

    subject: str
    text: str
    html: str
    pictures: Mapping[str, bytes]
    csv_name: str
    csv: str


def is_review(message: Message) -> bool:
    """Whether a message says that a review was made."""
    # Cheaper than reading the JSON of every alarm, and said in other words by none.
    return message.subject.condition == "review" and f'"{REVIEW_TYPE}"' in message.body


class ReviewMails:
    """Makes the mail of a message that a review was made.

    Args:
        store: where reviews are kept.
        with_charts: whether there are charts in it.
    """

    def __init__(self, store: Store, *, with_charts: bool = True) -> None:
        self._store = store
        self._with_charts = with_charts

    def __call__(self, message: Message, domain: str) -> ReviewMail:
        """The mail.

        Args:
            message: a message of the outbox for which `is_review` holds.
            domain: of the sender; content ids end with it.

        Raises:
            RefusedError: if the review is not kept any more.
        """
        wanted = json.loads(message.body)["data"]["review"]
        with self._store.reading() as connection:
            review = load_review(connection, int(wanted))
        if review is None:
            raise RefusedError(f"there is no review {wanted} any more")
        pictures = charts_of(review) if self._with_charts else {}
        ids = {rank: f"chart-{rank}-{message.event_id}@{domain}" for rank in pictures}
        return ReviewMail(
            subject=title_of(review),
            text=as_text(review),
            html=as_html(review, {rank: f"cid:{cid}" for rank, cid in ids.items()}),
            pictures={ids[rank]: picture for rank, picture in pictures.items()},
            csv_name=f"{file_name(review)}.csv",
            csv=as_csv(review),
        )


def charts_of(review: Review) -> dict[int, bytes]:
    """Charts of the most urgent alarms as PNG, by rank; none where they cannot be drawn, which is logged."""
    wanted: dict[int, SmallChart] = {}
    for item in review.items:
        chart = small_chart(item) if item.rank and len(wanted) < MOST_CHARTS else None
        if chart is not None:
            wanted[item.rank] = chart
    try:
        return dict(zip(wanted, draw_apart(list(wanted.values())), strict=True))
    except ChartError:
        # Whatever is wrong with a chart, the words are what somebody waits for.
        log.exception("review of %s: no charts", review.day)
        return {}


def title_of(review: Review) -> str:
    """The review in a line."""
    about = f"region {review.region}" if review.region else "the fleet"
    return f"Overnight review of {about}, {review.day}: {several(len(review.standing), 'alarm')} standing"


def file_name(review: Review) -> str:
    """A name for files, without their ending."""
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in review.region.lower())
    return f"review-{review.day}{'-' + plain if plain else ''}"


def as_html(review: Review, charts: Mapping[int, str]) -> str:
    """It as HTML without anything from elsewhere; `charts` has the address of each chart by rank."""
    return _environment().get_template("review.html").render(**_values(review), charts=charts)


def as_text(review: Review) -> str:
    """It as text."""
    return _environment().get_template("review.txt").render(**_values(review))


def _values(review: Review) -> dict[str, Any]:
    sections = [(words, review.section(change)) for change, words in SECTIONS]
    sections += [(words, review.set_aside(aside)) for aside, words in ASIDE]
    return {
        "review": review,
        "title": title_of(review),
        "sections": [(words, items) for words, items in sections if items],
        "no_data_words": NO_DATA_WORDS,
        "urgency_words": URGENCY_WORDS,
        "costs_db": costs_db,
        "decided_words": DECIDED_WORDS,
        "causes": cause_record(review),
        "colours": COLOURS,
    }


def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    functions: dict[str, Callable[..., str]] = {
        "instant": instant,
        "several": several,
        "what": lambda item: WHAT[Condition(item.condition)],
        "swr": _swr,
        "left": time_left,
        "outlook": _outlook,
    }
    environment.globals.update(functions)
    return environment


def _swr(rho: float | None) -> str:
    return "–" if rho is None else f"{number(swr_of(rho))}:1"


def _outlook(item: Item) -> str:
    """The forecast, a clause for each limit that has a date or is reached."""
    told = []
    for outlook in item.forecast:
        name = limit_name(LimitForecast(**vars(outlook)))
        if outlook.says == REACHED:
            told.append(f"{name} reached")
        elif outlook.expected_us is not None:
            told.append(f"{name} about {day(outlook.expected_us)}")
    return "; ".join(told)
