"""Markdown tables and the head of a page."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence


def head(title: str, page: str, *paragraphs: str) -> str:
    """The head of a page.

    Args:
        title: its title.
        page: the word of `standingwatch describe` that makes it.
        paragraphs: what a reader has to know first.
    """
    made = f"Made by `standingwatch describe {page}`; not written by hand."
    return "\n\n".join((f"# {title}", made, *paragraphs)) + "\n"


def table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; a bar within a cell is escaped, a line break becomes a space.

    Args:
        columns: headings.
        rows: cells, as many in each row as there are headings.
    """
    lines = [_row(columns), _row(["---"] * len(columns)), *(_row(row) for row in rows)]
    return "".join(f"{line}\n" for line in lines)


def code(text: str) -> str:
    """Text as code; "" stays empty."""
    return f"`{text}`" if text else ""


def sentence(text: str) -> str:
    """Text with a capital letter and a full stop; "" stays empty."""
    text = " ".join(text.split())
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def _row(cells: Sequence[str]) -> str:
    words = (re.sub(r"\s+", " ", cell).replace("|", "\\|").strip() for cell in cells)
    return re.sub(r"\|  \|", "| |", re.sub(r"\|  \|", "| |", f"| {' | '.join(words)} |"))
