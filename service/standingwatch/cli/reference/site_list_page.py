"""The page of the site list's columns."""

from __future__ import annotations

from standingwatch.cli.reference.markdown import code, head, sentence, table
from standingwatch.inventory import COLUMNS


def site_list_page() -> str:
    """All columns of the site list."""
    return "\n".join(
        (
            head(
                "The site list",
                "site-list",
                "A CSV file with a row for each transmitter. Its first line names the columns, in any order; "
                "what is not known is left empty.",
            ),
            table(
                ("column", "needed", "may be", "says"),
                [
                    (code(one.name), "yes" if one.required else "", one.wanted, sentence(one.description))
                    for one in COLUMNS
                ],
            ),
        )
    )
