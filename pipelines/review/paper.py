"""What a person said, as the text of the two files beside the photos: findings.toml and regions.toml.

Changes keep what else stands in a file, comments included. Nothing is changed in a file that breaks its
rules: the person who wrote it mends it first.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import files, findings, regions, tomlfile
from vision.errors import InputFileError, UsageError

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

    from pipelines.guide import Guide
    from vision.traits import TraitRecord

Points = Sequence[Sequence[float]]

FILES = (findings.FILE, regions.FILE)


@dataclass(frozen=True, slots=True)
class Paper:
    """The text of both files; None where there is no file."""

    findings: str | None = None
    regions: str | None = None

    @classmethod
    def of(cls, folder: Path) -> Paper:
        """Return what lies in a folder.

        Raises
        ------
        InputFileError
            When a file cannot be read as text at all.
        """
        return cls(*(_read(folder / name) for name in FILES))

    def write(self, folder: Path, before: Paper) -> None:
        """Write what differs from ``before`` into a folder, each file whole or not at all.

        Raises
        ------
        OutputError
            When a file cannot be written; it is then as it was.
        """
        for name, text, old in zip(FILES, self._texts(), before._texts(), strict=True):
            if text == old:
                continue
            if text is None:
                files.remove_file(folder / name)
            else:
                files.write_file(folder / name, text)

    def _texts(self) -> tuple[str | None, str | None]:
        return self.findings, self.regions


def _read(path: Path) -> str | None:
    if not path.is_file():
        return None
    try:
        with path.open("rb") as stream:
            raw = stream.read(tomlfile.MAX_BYTES + 1)
        if len(raw) > tomlfile.MAX_BYTES:
            raise InputFileError(f"{path.name}: larger than 2 MB. Is this the right file?")
        # Not read_text(), which would turn line ends and make every file look changed.
        return raw.decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputFileError(f"{path.name}: it cannot be read as text. Mend it, or move it away.") from error


# -- reading -----------------------------------------------------------------------------------------


def said_of_photos(paper: Paper) -> regions.RegionsFile:
    """Return what is said of photos; raises :class:`InputFileError` when the file breaks a rule."""
    return regions.loads((paper.regions or "").encode(), regions.FILE)


def found_by_hand(paper: Paper, guide: Guide) -> tuple[tuple[TraitRecord, ...], tuple[str, ...]]:
    """Return the hands-on records and remarks; raises :class:`InputFileError` for a broken file."""
    if not (paper.findings or "").strip():
        return (), ()
    return findings.build_known(tomlfile.parse((paper.findings or "").encode(), findings.FILE), guide)


def said_by_hand(paper: Paper) -> Mapping[str, Any]:
    """Return the findings as they stand in the file, by trait; empty for a broken file."""
    try:
        data = tomlfile.parse((paper.findings or "").encode(), findings.FILE).data
    except InputFileError:
        return {}
    table = data.get("findings", {})
    return table if isinstance(table, dict) else {}


def who_said(paper: Paper) -> str:
    """Return who is named in the findings file."""
    try:
        who = tomlfile.parse((paper.findings or "").encode(), findings.FILE).data.get("who", "")
    except InputFileError:
        return ""
    return who if isinstance(who, str) else ""


# -- changing ----------------------------------------------------------------------------------------


def with_finding(paper: Paper, trait: str, value: Mapping[str, Any] | None, guide: Guide) -> Paper:
    """Return the paper with one finding set, or taken out when ``value`` is None.

    Raises
    ------
    InputFileError
        When the finding breaks a rule, or the file already did.
    """

    def change(doc: TOMLDocument) -> None:
        import tomlkit

        if "findings" not in doc:
            doc.add("findings", tomlkit.table())
        table: Any = doc["findings"]
        if value is None:
            table.pop(trait, None)
            return
        inline = tomlkit.inline_table()
        inline.update({key: item for key, item in value.items() if item not in ("", None)})
        table[trait] = inline

    found_by_hand(paper, guide)
    text = _changed(paper.findings, findings.FILE, change)
    changed = Paper(text, paper.regions)
    found_by_hand(changed, guide)
    return changed


def with_who(paper: Paper, who: str, guide: Guide) -> Paper:
    """Return the paper with the name of who found what a hand found."""

    def change(doc: TOMLDocument) -> None:
        import tomlkit

        if "findings" not in doc:
            doc.add("findings", tomlkit.table())
        if not who:
            doc.pop("who", None)
        elif "who" in doc:
            doc["who"] = who
        else:
            # Keys of the file itself must stand before its tables.
            rest = tomlkit.dumps(doc)
            fresh = tomlkit.parse(f"{tomlkit.dumps({'who': who})}{rest}")
            doc.clear()
            doc.update(fresh)

    found_by_hand(paper, guide)
    text = _changed(paper.findings, findings.FILE, change)
    return Paper(text, paper.regions)


def with_place(paper: Paper, photo: str, name: str, polygons: Sequence[Points], view: str = "") -> Paper:
    """Return the paper with a place pointed out in a photo; ``view`` says what it shows if nobody has.

    Raises
    ------
    InputFileError
        When the place breaks a rule, or the file already did.
    UsageError
        When it is no single outline.
    """
    if len(polygons) != 1:
        raise UsageError("A place is one outline.")
    outline = [[round(float(x), 1), round(float(y), 1)] for x, y in polygons[0]]

    def change(table: dict[str, Any]) -> None:
        if view:
            table.setdefault("view", view)
        table[name] = outline
        _set_absent(table, name, False)

    return _with_photo(paper, photo, change)


def without_place(paper: Paper, photo: str, name: str, *, absent: bool) -> Paper:
    """Return the paper with a place no longer pointed out; ``absent`` says that there is none."""

    def change(table: dict[str, Any]) -> None:
        table.pop(name, None)
        _set_absent(table, name, absent)

    return _with_photo(paper, photo, change)


def with_view(paper: Paper, photo: str, view: str) -> Paper:
    """Return the paper with what a photo shows; an empty word leaves it to the program."""

    def change(table: dict[str, Any]) -> None:
        table.pop("view", None)
        if view:
            table["view"] = view

    return _with_photo(paper, photo, change)


def _set_absent(table: dict[str, Any], name: str, absent: bool) -> None:
    names = [str(n) for n in table.pop("not_there", ()) if n != name]
    if absent:
        names.append(name)
    if names:
        table["not_there"] = names


def _with_photo(paper: Paper, photo: str, change: Callable[[dict[str, Any]], None]) -> Paper:
    said_of_photos(paper)

    def change_photo(doc: TOMLDocument) -> None:
        import tomlkit

        if photo not in doc:
            doc.add(photo, tomlkit.table())
        table: Any = doc[photo]
        change(table)
        if not table:
            doc.remove(photo)

    changed = Paper(paper.findings, _changed(paper.regions, regions.FILE, change_photo))
    said_of_photos(changed)
    return changed


def _changed(text: str | None, name: str, change: Callable[[TOMLDocument], None]) -> str | None:
    """Return the text after a change; None where nothing is left to say."""
    import tomlkit

    with _complaints(name):
        doc = tomlkit.parse(text or "")
        change(doc)
        out = tomlkit.dumps(doc)
    tomlfile.parse(out.encode(), name)  # what was written must be readable by the rule of the command line
    return out if out.strip() else None


@contextlib.contextmanager
def _complaints(name: str) -> Iterator[None]:
    from tomlkit.exceptions import TOMLKitError

    try:
        yield
    except (TOMLKitError, TypeError, ValueError, AttributeError) as error:
        raise InputFileError(
            f"{name}: the change does not fit the file. Mend it, or move it away."
        ) from error
