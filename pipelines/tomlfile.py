"""Small TOML files that people edit: read with care, and complained about by line.

The standard parser gives line numbers only for broken syntax. A guide can be perfect TOML and still name a
state that does not exist, so a light scan of the text remembers on which line each key stands.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from vision.errors import InputFileError

KeyPath = tuple[str, ...]

#: Larger files are refused: no hand-written guide comes near.
MAX_BYTES = 2_000_000

_KEY = r"""(?:"(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]\]?")
_PAIR = re.compile(rf"\s*({_DOTTED})\s*=")
_INNER = re.compile(rf"[{{,]\s*({_DOTTED})\s*=")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"' + r"|'[^']*'")


@dataclass(frozen=True)
class TomlFile:
    """A parsed TOML file that knows on which line each key stands.

    Attributes
    ----------
    name
        The file as the caller named it, for messages.
    data
        The parsed document.
    lines
        1-based line of each key path; items of an array of tables carry their index as a string.
    """

    name: str
    data: Mapping[str, Any]
    lines: Mapping[KeyPath, int]

    def line_of(self, path: KeyPath) -> int:
        """Return the line of ``path`` or of its nearest known parent; 1 when nothing is known."""
        for end in range(len(path), 0, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return 1

    def fail(self, path: KeyPath, problem: str, remedy: str) -> NoReturn:
        """Raise :class:`InputFileError` naming file, line, key, problem and remedy."""
        where = f" ({'.'.join(path)})" if path else ""
        raise InputFileError(f"{self.name}, line {self.line_of(path)}{where}: {problem}. {remedy}")

    def unknown(self, path: KeyPath, kind: str, word: str, valid: Iterable[str]) -> NoReturn:
        """Raise for a word that is not one of ``valid``, suggesting the closest."""
        options = list(valid)
        close = difflib.get_close_matches(word.lower(), options, n=1, cutoff=0.5)
        remedy = f'Did you mean "{close[0]}"? ' if close else ""
        self.fail(path, f'unknown {kind} "{_short(word)}"', f"{remedy}Valid: {', '.join(options) or 'none'}.")

    def table(self, path: KeyPath, required: bool = False) -> Mapping[str, Any]:
        """Return the table at ``path``; an absent one is empty unless ``required``."""
        value = self._get(path)
        if value is None and not required:
            return {}
        if not isinstance(value, dict):
            problem = "the table is missing" if value is None else "expected a table"
            self.fail(path, problem, f"Write it as [{'.'.join(path)}] with keys below.")
        return value

    def text(self, path: KeyPath, default: str | None = None) -> str:
        """Return the text at ``path``; without a default an absent or empty one is an error."""
        value = self._get(path)
        if value is None and default is not None:
            return default
        if not isinstance(value, str) or (default is None and not value.strip()):
            self.fail(path, "expected some text", f'Write {path[-1]} = "…".')
        return value.strip()

    def texts(self, path: KeyPath) -> tuple[str, ...]:
        """Return the list of texts at ``path``; absent means empty."""
        value = self._get(path)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            self.fail(path, "expected a list of texts", f'Write {path[-1]} = ["…", "…"].')
        return tuple(v.strip() for v in value)

    def number(self, path: KeyPath, default: float, low: float, high: float) -> float:
        """Return the number at ``path``, which must lie in [low, high]."""
        value = self._get(path)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not _within(value, low, high):
            self.fail(path, f"expected a number from {low:g} to {high:g}", f"Write {path[-1]} = {default:g}.")
        return float(value)

    def only(self, path: KeyPath, allowed: Iterable[str]) -> None:
        """Raise if the table at ``path`` has a key that is not ``allowed``: most are misspellings."""
        words = tuple(allowed)
        for key in self.table(path):
            if key not in words:
                self.unknown((*path, key), "key", key, words)

    def _get(self, path: KeyPath) -> Any:
        node: Any = self.data
        for key in path:
            if isinstance(node, list) and key.isdigit() and int(key) < len(node):
                node = node[int(key)]
            elif isinstance(node, dict):
                node = node.get(key)
            else:
                return None
        return node


def read(path: Path, name: str | None = None) -> TomlFile:
    """Read a TOML file.

    Raises
    ------
    InputFileError
        When the file is missing, unreadable, too large, not UTF-8 or not TOML; names the line.
    """
    name = name or str(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except OSError as error:
        reason = error.strerror or "it cannot be opened"
        raise InputFileError(f"{name}: cannot read the file ({reason}). Check the path.") from error
    except ValueError as error:
        raise InputFileError(f"{_short(name)}: this is no usable path. Check it.") from error
    return parse(raw, name)


def parse(raw: bytes, name: str) -> TomlFile:
    """Parse TOML bytes; raises :class:`InputFileError` as :func:`read` does."""
    if len(raw) > MAX_BYTES:
        raise InputFileError(f"{name}: larger than {MAX_BYTES // 1_000_000} MB. Is this the right file?")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputFileError(f"{name}, line {line}: not UTF-8 text. Save the file as UTF-8.") from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputFileError(_syntax_message(name, text, str(error))) from error
    except (RecursionError, ValueError) as error:
        raise InputFileError(
            f"{name}, line 1: a value is nested too deep or too long. Write plain keys and values."
        ) from error
    return TomlFile(name, data, index_lines(text))


def index_lines(text: str) -> dict[KeyPath, int]:
    """Return the 1-based line of each key of a TOML text (best effort, first mention wins)."""
    lines: dict[KeyPath, int] = {}
    table: KeyPath = ()
    counts: dict[KeyPath, int] = {}
    fence = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if fence:
            fence = "" if fence in line else fence
            continue
        if header := _HEADER.match(line):
            table = _split(header.group(2))
            if header.group(1) == "[[":
                counts[table] = counts.get(table, -1) + 1
                lines.setdefault(table, number)
                table = (*table, str(counts[table]))
            else:
                table = _inside_arrays(table, counts)
            lines.setdefault(table, number)
            continue
        if pair := _PAIR.match(line):
            key = (*table, *_split(pair.group(1)))
            lines.setdefault(key, number)
            for inner in _INNER.finditer(_STRING.sub(_blank, line)):
                lines.setdefault((*key, *_split(inner.group(1))), number)
            fence = _opened_fence(line[pair.end() :])
    return lines


def _inside_arrays(table: KeyPath, counts: Mapping[KeyPath, int]) -> KeyPath:
    """Put the current index after each part of a header that is an array of tables."""
    out: KeyPath = ()
    for key in table:
        out = (*out, key)
        if out in counts:
            out = (*out, str(counts[out]))
    return out


def _opened_fence(rest: str) -> str:
    for quotes in ('"""', "'''"):
        if rest.count(quotes) % 2:
            return quotes
    return ""


def _split(dotted: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


def _blank(match: re.Match[str]) -> str:
    return '"' + " " * (len(match.group()) - 2) + '"'


def _syntax_message(name: str, text: str, message: str) -> str:
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    line = int(found.group(1)) if found else text.count("\n") + 1
    problem = message.split(" (at ", maxsplit=1)[0].rstrip(".")
    return f"{name}, line {line}: not valid TOML: {problem}. Look for a missing quote or bracket there."


def _within(value: float, low: float, high: float) -> bool:
    try:
        return math.isfinite(value) and low <= value <= high
    except OverflowError:
        return False


def _short(text: str, limit: int = 60) -> str:
    clean = "".join(c if c.isprintable() else "�" for c in text)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"
