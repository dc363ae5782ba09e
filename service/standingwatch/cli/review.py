"""`standingwatch review`: the overnight review now, as HTML and CSV files; nothing is kept in the store."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from standingwatch.cli.arguments import now_us
from standingwatch.cli.common import CommandError, add_settings_option, open_store, say, settings_of


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "review",
        help="the overnight review now, to HTML and CSV",
        description="Tells what changed since the last review that the service made, or in the last day.",
    )
    parser.add_argument(
        "--region", default="", metavar="NAME", help="of one region (default: the whole fleet)"
    )
    parser.add_argument(
        "--out", type=Path, default=Path(), metavar="DIR", help="folder for the files (default: this one)"
    )
    add_settings_option(parser)
    parser.set_defaults(act=act)


def act(arguments: argparse.Namespace) -> int:
    """Make the review and write its files."""
    import base64

    from standingwatch.notify.review_mail import as_html, charts_of, file_name
    from standingwatch.review.table import as_csv
    from standingwatch.store.review_due import plans_of
    from standingwatch.store.reviews import make
    from standingwatch.store.sites import load_site_list

    settings = settings_of(arguments)
    plans = plans_of(settings)
    region = arguments.region
    plan = next((p for p in plans.regions if p.region == region), plans.whole)
    with open_store(settings) as store, store.reading() as connection:
        regions = sorted({row.region for row in load_site_list(connection).rows if row.region})
        if region and region not in regions:
            there = ", ".join(regions) or "none"
            raise CommandError(f"there is no region {region!r} on the site list; there are: {there}")
        review = make(connection, region, plan.timezone, now_us(), plans.how)
    pictures = {
        rank: f"data:image/png;base64,{base64.b64encode(picture).decode('ascii')}"
        for rank, picture in charts_of(review).items()
    }
    page, table = (arguments.out / f"{file_name(review)}{ending}" for ending in (".html", ".csv"))
    try:
        arguments.out.mkdir(parents=True, exist_ok=True)
        page.write_text(as_html(review, pictures), encoding="utf-8")
        # As it is: a CSV file's lines end with CR and LF (RFC 4180) on every machine.
        table.write_bytes(as_csv(review).encode("utf-8"))
    except OSError as error:
        raise CommandError(
            f"{error.filename}: {error.strerror}; give a folder that can be written"
        ) from error
    say(review.summary, str(page), str(table))
    return 0
