"""The check of one doll's photos, from a folder to a report.

What a person said on the review page lies with the photos, in ``findings.toml`` and ``regions.toml``, and
counts here as well.
"""

from __future__ import annotations

import dataclasses
import difflib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import examine, files, pictures, regions
from pipelines import findings as hands
from pipelines import guide as guides
from pipelines.batch import Progress, silent
from pipelines.cautions import Caution, cautions_for
from pipelines.dossier import Dossier, build_dossier
from pipelines.examine import PhotoRecord, Request
from pipelines.guide import Guide
from pipelines.pictures import Picture, Pictures
from pipelines.requests import PhotoRequest, letter, rank_requests
from pipelines.verdict import Verdict, weigh
from pipelines.weighing import Model
from vision.errors import NoPhotoError, UsageError
from vision.traits import TraitRecord

if TYPE_CHECKING:
    from vision.photo import Photo


@dataclass(frozen=True)
class ListingResult:
    """Everything known of one doll after its photos were checked.

    Attributes
    ----------
    name
        The folder's name.
    claim
        Id of the release the doll is offered as, or None.
    photos
        All photos in name order, failed ones included.
    paths
        Where each photo lies, by :attr:`PhotoRecord.file`.
    findings
        Hands-on records.
    seller_text
        What goes into ``seller-questions.txt``.
    pictures
        What was drawn of each photo, by :attr:`PhotoRecord.file`.
    """

    name: str
    guide: Guide
    claim: str | None
    photos: tuple[PhotoRecord, ...]
    paths: Mapping[str, Path]
    findings: tuple[TraitRecord, ...]
    dossier: Dossier
    verdict: Verdict
    requests: tuple[PhotoRequest, ...]
    cautions: tuple[Caution, ...]
    seller_text: str
    pictures: Mapping[str, Pictures] = field(default_factory=dict, repr=False)

    def placed(self, photo: PhotoRecord) -> tuple[Picture, ...]:
        """Return the pictures of all that was measured in a photo; drawn now if they are not at hand."""
        if photo.file in self.pictures:
            return self.pictures[photo.file].placed
        if not any(record.region is not None for record in photo.traits):
            return ()
        return pictures.draw(self.photo(photo.file), photo).placed

    def photo(self, file: str) -> Photo:
        """Decode one of the photos again, for drawing; raises ``PhotoError`` when it is gone or damaged."""
        from vision.photo import load

        return load(files.read_bytes(self.paths[file], file), file)

    @property
    def summary(self) -> tuple[str, ...]:
        """The verdict in a few lines for a terminal."""
        asks = [
            f"{'Ask for a photo' if request.kind == 'photo' else 'Ask'}: {request.text}"
            for request in self.requests[:2]
        ]
        return (self.verdict.headline, *self.verdict.story, *asks)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form: the ``measure`` document, extended."""
        verdict = self.verdict.to_json()
        return {
            **examine.document(self.photos),
            "listing": self.name,
            "guide": {"id": self.guide.id, "title": self.guide.title, "source": self.guide.source},
            "headline": verdict.pop("headline"),
            "story": verdict.pop("story"),
            **verdict,
            "photos_to_request": [request.to_json() for request in self.requests],
            "cautions": [caution.to_json() for caution in self.cautions],
            "dossier": self.dossier.to_json(),
            "hands_on": [record.to_json() for record in self.findings],
            "summary": list(self.summary),
        }


def run(
    folder: Path,
    *,
    guide: str,
    out: Path,
    claim: str | None = None,
    findings: Path | None = None,
    jobs: int = 1,
    progress: Progress = silent,
) -> ListingResult:
    """Check one doll's photos and write report, traits, evidence pictures and questions for the seller.

    Parameters
    ----------
    folder
        Holds the photos.
    guide
        A shipped guide's name or a path.
    claim
        Id of the release the doll is offered as.
    findings
        A hands-on findings file; the folder's own ``findings.toml``, if there is one, when None. The
        folder's ``regions.toml`` says where things are.
    out
        New or empty folder, or an earlier result, which is replaced as a whole.
    jobs
        Photos worked on at once.

    Raises
    ------
    UsageError
        When the claim is no release of the guide.
    InputFileError
        When guide, findings or regions break a rule.
    NoPhotoError
        When the folder holds no readable photo. Nothing is written then.
    OutputError
        When ``out`` cannot be written; an earlier result is then still there.
    """
    checked = guides.load(guide)
    check_claim(claim, checked)
    hands_on, remarks = load_findings(folder, findings, checked)
    said = load_regions(folder)
    files.check_output_folder(out)
    paths = files.find_photos([folder])
    seen = pictures.see_files(paths, Request(regions=said), jobs=jobs, progress=progress)
    photos = [one.record for one in seen]
    require_readable(photos, folder)
    name = folder.resolve().name
    found = conclude(name, checked, claim, photos, paths=paths, findings=hands_on, remarks=remarks)
    drawn = {one.record.file: one.pictures for one in seen if one.pictures is not None}
    result = dataclasses.replace(found, pictures=drawn)
    with files.output_folder(out) as stage:
        write(result, stage)
    return result


def conclude(
    name: str,
    guide: Guide,
    claim: str | None,
    photos: list[PhotoRecord],
    *,
    paths: list[Path],
    findings: tuple[TraitRecord, ...] = (),
    remarks: tuple[str, ...] = (),
    model: Model | None = None,
) -> ListingResult:
    """Merge, weigh and decide what to ask for; writes nothing.

    ``paths`` run parallel to ``photos``; ``remarks`` join the dossier's notes; ``model`` is the guide's, to
    spare building it again.
    """
    model = model or Model(guide)
    dossier = build_dossier(photos, findings, guide)
    dossier = dataclasses.replace(dossier, notes=(*dossier.notes, *remarks))
    verdict = weigh(dossier, guide, claim, model)
    requests = rank_requests(dossier, guide, claim, model)
    return ListingResult(
        name=files.printable(name),
        guide=guide,
        claim=claim,
        photos=tuple(photos),
        paths={photo.file: path for photo, path in zip(photos, paths, strict=True)},
        findings=findings,
        dossier=dossier,
        verdict=verdict,
        requests=requests,
        cautions=cautions_for(dossier, verdict),
        seller_text=letter(requests),
    )


def write(result: ListingResult, folder: Path) -> None:
    """Write all of a result into an empty folder."""
    (folder / "evidence").mkdir()
    for photo in result.photos:
        for picture in result.placed(photo):
            picture.write(folder / "evidence")
    write_documents(result, folder)


def write_documents(result: ListingResult, folder: Path) -> None:
    """Write all but the evidence pictures."""
    from pipelines import report

    (folder / "traits.json").write_text(dump(result.to_json()), encoding="utf-8")
    (folder / "seller-questions.txt").write_text(result.seller_text, encoding="utf-8")
    report.render(result, folder)


def dump(payload: Mapping[str, Any]) -> str:
    """Return JSON text, the same bytes for the same result."""
    return json.dumps(payload, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def load_findings(
    folder: Path, given: Path | None, guide: Guide
) -> tuple[tuple[TraitRecord, ...], tuple[str, ...]]:
    """Return the hands-on records of a file that was named, or of the folder's own, and what to remark.

    The folder's own may have been written with another guide at hand: what this one does not know is left
    out. Raises :class:`InputFileError` when the file breaks a rule.
    """
    if given is not None:
        return hands.load_findings(given, guide), ()
    own = folder / hands.FILE
    return hands.load_known(own, guide) if own.is_file() else ((), ())


def load_regions(folder: Path) -> regions.RegionsFile:
    """Return what the folder's own regions file says; raises :class:`InputFileError` for a broken one."""
    own = folder / regions.FILE
    return regions.load(own) if own.is_file() else regions.RegionsFile()


def check_claim(claim: str | None, guide: Guide) -> None:
    """Raise :class:`UsageError` when the claim is no release of the guide."""
    if claim is None or claim in guide.releases:
        return
    close = difflib.get_close_matches(claim.lower(), list(guide.releases), n=1)
    hint = f' Did you mean "{close[0]}"?' if close else ""
    valid = ", ".join(f"{release.id} ({release.label})" for release in guide.releases.values())
    raise UsageError(f'"{claim[:60]}" is no release of the guide {guide.id}.{hint} Valid: {valid}.')


def require_readable(photos: list[PhotoRecord], folder: Path) -> None:
    """Raise :class:`NoPhotoError` naming each photo's reason when none could be read."""
    if any(photo.ok for photo in photos):
        return
    told = "\n".join(f"  {(photo.error or {}).get('message', photo.file)}" for photo in photos[:20])
    which = "The file" if len(photos) == 1 else f"None of the {len(photos)} files"
    no = "no" if len(photos) == 1 else "a"
    raise NoPhotoError(f"{which} in {folder.name} is {no} readable photo:\n{told}")
