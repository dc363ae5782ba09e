"""On which line of a TOML text each key stands.

`tomllib` gives values without lines. This scanner walks a text that `tomllib` has already accepted and notes
the line of every key and table header, so it does not check the syntax again. Grammar: TOML 1.0.0.
"""

from __future__ import annotations

import re
import tomllib

KeyPath = tuple[str, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_BLANK_LINES_AND_COMMENTS = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}#\r\n]*")
_BASIC = re.compile(r'"(?:\\.|[^"\\])*"')
_LITERAL = re.compile(r"'[^']*'")
# Up to two quotes may stand right before the closing three.
_BASIC_LINES = re.compile(r'"""(?:\\.|[^\\])*?"{3,5}(?!")', re.DOTALL)
_LITERAL_LINES = re.compile(r"'''.*?'{3,5}(?!')", re.DOTALL)


def find_key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every key and table of a valid TOML text.

    A table that only dotted keys or the headers of its subtables name has the line of the first of them.
    All tables of an array of tables share one path, which has the line of the first.

    Raises
    ------
    ValueError
        If the text is not valid TOML where the scanner needs it to be.
    """
    scanner = _Scanner(text)
    scanner.document()
    return scanner.lines


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._counted_to = 0
        self._line = 1

    def document(self) -> None:
        table: KeyPath = ()
        self._skip(_BLANK_LINES_AND_COMMENTS)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                brackets = 2 if self.text.startswith("[[", self.at) else 1
                self.at += brackets
                table = self._key()
                self._note(table)
                self._expect("]" * brackets)
            else:
                self._pair(table)
            self._skip(_BLANK_LINES_AND_COMMENTS)

    def _pair(self, table: KeyPath) -> None:
        path = table + self._key()
        self._note(path)
        self._expect("=")
        self._skip(_BLANK)
        self._value(path)

    def _key(self) -> KeyPath:
        parts = []
        while True:
            self._skip(_BLANK)
            quote = self.text[self.at : self.at + 1]
            if quote == '"':
                # Escapes are tomllib's to read.
                parts.append(str(tomllib.loads(f"k = {self._skip(_BASIC)}")["k"]))
            elif quote == "'":
                parts.append(self._skip(_LITERAL)[1:-1])
            else:
                parts.append(self._skip(_BARE_KEY))
            self._skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return tuple(parts)
            self.at += 1

    def _value(self, path: KeyPath) -> None:
        text, at = self.text, self.at
        if text.startswith('"""', at):
            self._skip(_BASIC_LINES)
        elif text.startswith("'''", at):
            self._skip(_LITERAL_LINES)
        elif text.startswith('"', at):
            self._skip(_BASIC)
        elif text.startswith("'", at):
            self._skip(_LITERAL)
        elif text.startswith("[", at):
            self._members("]", path)
        elif text.startswith("{", at):
            self._members("}", path)
        else:
            self._skip(_SCALAR)

    def _members(self, closing: str, path: KeyPath) -> None:
        """Walk an array, or an inline table, whose keys are noted."""
        self.at += 1
        while True:
            self._skip(_BLANK_LINES_AND_COMMENTS)
            if self.text.startswith(closing, self.at):
                self.at += 1
                return
            if closing == "}":
                self._pair(path)
            else:
                self._value(path)
            self._skip(_BLANK_LINES_AND_COMMENTS)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif not self.text.startswith(closing, self.at):
                raise ValueError(f"TOML line {self._line_here()}: wanted , or {closing}")

    def _note(self, path: KeyPath) -> None:
        line = self._line_here()
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _line_here(self) -> int:
        # A key holds no line break, so the place just after it is on its line.
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise ValueError(f"TOML line {self._line_here()}: got {self.text[self.at : self.at + 1]!r}")
        self.at = match.end()
        return match.group()

    def _expect(self, token: str) -> None:
        self._skip(_BLANK)
        if not self.text.startswith(token, self.at):
            raise ValueError(f"TOML line {self._line_here()}: wanted {token}")
        self.at += len(token)
