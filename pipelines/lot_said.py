"""What a person said of the dolls of a lot: the regions and findings files that lie with their photos.

The review page writes them, or an editor. They count in a lot as they do in the check of one doll
(:mod:`pipelines.listing`), with one difference: in a folder of loose photos of several dolls a findings file
does not say whose findings they are, so it is left out, and said to be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipelines import cache, listing
from pipelines.findings import FILE
from pipelines.grouping import Group
from pipelines.guide import Guide
from pipelines.regions import PhotoRegions, RegionsFile
from vision.traits import TraitRecord

#: Remark where findings cannot be given to one doll.
WHOSE = f"A {FILE} lies beside photos of several dolls and does not say of which: left out. "
WHOSE += "Give each doll a folder of its own."


@dataclass(frozen=True)
class Said:
    """What a person said of one doll.

    Attributes
    ----------
    photos
        What was said of each photo, by its name in the lot; photos of which nothing was said are not in it.
    findings
        Hands-on records.
    remarks
        Sentences on what was left out.
    """

    photos: Mapping[str, PhotoRegions] = field(default_factory=dict)
    findings: tuple[TraitRecord, ...] = ()
    remarks: tuple[str, ...] = ()


def said_of(groups: Sequence[Group], guide: Guide) -> list[Said]:
    """Read what was said of each doll, in the order of ``groups``.

    Raises
    ------
    InputFileError
        When a regions or findings file breaks a rule; names file, line and remedy.
    """
    sharing = Counter(group.folder for group in groups)
    return [_said(group, guide, sharing[group.folder] == 1) for group in groups]


def _said(group: Group, guide: Guide, alone: bool) -> Said:
    regions = listing.load_regions(group.folder)
    photos = {
        name: regions.of(path.name)
        for path, name in zip(group.paths, group.names, strict=True)
        if text_of(regions.of(path.name))
    }
    findings, remarks = listing.load_findings(group.folder, None, guide)
    if findings and not alone:
        findings, remarks = (), (WHOSE,)
    return Said(photos, findings, remarks)


def one_photo(file: str, said: PhotoRegions) -> RegionsFile:
    """Return a regions file that says this of one photo, called ``file``, and nothing of others."""
    return RegionsFile(photos={file: said})


def text_of(said: PhotoRegions | None) -> str:
    """Return a text that is the same for what changes a reading in the same way; "" for nothing said."""
    if said is None or not (said.view or said.places or said.absent or said.card_reflectance):
        return ""
    places = {name: region.to_json() for name, region in sorted(said.places.items())}
    return cache.json_text([said.view, places, sorted(said.absent), said.card_reflectance])
