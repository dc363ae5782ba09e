"""Pages for people, taken apart: blocks of commands and files, links, and what is named in the text."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "deploy" / "guide"

#: Comments above a block, one a line, and the block.
_BLOCK = re.compile(
    r"(?P<notes>(?:^ *<!-- [^\n]* -->\n)*)^(?P<indent> *)```(?P<kind>\w*)\n(?P<text>.*?)^(?P=indent)```$",
    re.MULTILINE | re.DOTALL,
)
_NOTE = re.compile(r"<!-- (?P<what>not run|ends with \d|says|file|runs on)(?:: (?P<words>.*))? -->")


@dataclass(frozen=True)
class Block:
    """A block between fences.

    Attributes:
        page: where it stands.
        line: the line of the page that it begins on.
        kind: the word behind the fence.
        text: what is in it, without the page's indentation.
        notes: what the comments above it say, by their first words: "not run" (why), "ends with N" (why),
            "says" (words of the output), "file" (where it is written), "runs on" (it is started and left).
    """

    page: Path
    line: int
    kind: str
    text: str
    notes: tuple[tuple[str, str], ...]

    def noted(self, what: str) -> list[str]:
        """The words of all notes that begin so."""
        return [words for kind, words in self.notes if kind.startswith(what)]

    @property
    def place(self) -> str:
        """Page and line."""
        return f"{self.page.relative_to(ROOT)}:{self.line}"


def blocks(page: Path) -> Iterator[Block]:
    """The blocks of a page; a comment above one that is not understood is an error."""
    text = page.read_text(encoding="utf-8")
    fences = len(re.findall(r"^ *```", text, flags=re.MULTILINE))
    found = list(_BLOCK.finditer(text))
    assert fences == 2 * len(found), f"{page}: {fences} fences, {len(found)} blocks"
    for match in found:
        notes = []
        for comment in match["notes"].splitlines():
            note = _NOTE.fullmatch(comment.strip())
            assert note, f"{page}: {comment}"
            notes.append((note["what"], note["words"] or ""))
        line = text.count("\n", 0, match.start("indent")) + 1
        yield Block(page, line, match["kind"], textwrap.dedent(match["text"]), tuple(notes))


def prose(page: Path) -> str:
    """A page without its blocks and comments."""
    return re.sub(r"<!--.*?-->", "", _BLOCK.sub("", page.read_text(encoding="utf-8")), flags=re.DOTALL)
