"""The editable guide: releases, what each is expected to show, and what may have been done to a doll since.

A guide is a commented TOML file. It speaks in words (always, usually, sometimes, rarely, never) that stand
for stated probabilities with room for error: even "never" leaves two in a hundred, because guides are wrong,
dolls are mended and photos mislead.
"""

from __future__ import annotations

import difflib
import importlib.resources
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from statistics import NormalDist
from typing import Final

from pipelines.tomlfile import KeyPath, TomlFile, parse, read
from vision.errors import InputFileError
from vision.traits import STATES, Trait

SCHEMA = "rakelight.guide/1"

#: What each word stands for before the states of a trait are normalized. Stated, not estimated from data.
WORDS: Final[Mapping[str, float]] = {
    "always": 0.95,
    "usually": 0.80,
    "sometimes": 0.40,
    "rarely": 0.10,
    "never": 0.02,
}

#: The trait that the wording of a mark is turned into; its states are the guide's marks.
MARK_WORDING = "mark_wording"
#: The state of :data:`MARK_WORDING` for a mark that the guide does not list.
UNLISTED = "unlisted"

#: More than this is no guide; hypotheses grow with the square of the releases.
_MOST = {"releases": 60, "traits": 100, "marks": 100, "alterations": 20, "groups": 50}
_MOST_STATES = 20

#: How to check a trait whose guide does not say.
CARE: Final = "Gently: no pressing hard, no rubbing, no wetting."

ANY = "any"
PLACES = ("head", "body", "")
_RESERVED = frozenset({MARK_WORDING})


@dataclass(frozen=True, slots=True)
class StateSpec:
    """One state of a trait: its id, how to say it, and for weighed or counted traits its range."""

    id: str
    words: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class TraitSpec:
    """A trait that releases may speak of.

    Attributes
    ----------
    id, label
        ``label`` is how a person calls it.
    states
        The closed list of states.
    question
        What to ask somebody who holds the doll, in plain words; empty for what only a photo tells.
    care
        How to find that out without harm to doll or hand, in one line.
    photo
        Whether photos can show it.
    where
        ``"head"``, ``"body"`` or empty: which part of a doll with an exchanged head carries it.
    unit
        Of a trait given as a number (``"g"``), else empty.
    of
        Where a photo tells that number: ``"eyeliner_color.hue_deg"``, else empty.
    source
        Where the rule comes from.
    """

    id: str
    label: str
    states: tuple[StateSpec, ...]
    question: str = ""
    care: str = ""
    photo: bool = False
    where: str = ""
    unit: str = ""
    of: str = ""
    source: str = ""

    @property
    def state_ids(self) -> tuple[str, ...]:
        """Ids of the states."""
        return tuple(state.id for state in self.states)

    def words_of(self, state: str) -> str:
        """Return how to say a state; the id itself when it is not known."""
        return next((s.words for s in self.states if s.id == state), state.replace("_", " "))

    def shares(self, value: float, u: float) -> dict[str, float]:
        """Return how much of a number's normal distribution each state's range holds; angles go round."""
        turns = (-360.0, 0.0, 360.0) if self.unit == "deg" else (0.0,)
        out = {}
        for state in self.states:
            low, high = state.low or 0.0, math.inf if state.high is None else state.high
            out[state.id] = sum(_mass(value + turn, u, low, high) for turn in turns)
        return out


def _mass(value: float, u: float, low: float, high: float) -> float:
    """Share of a normal distribution around ``value`` that lies in [low, high)."""
    if u <= 0:
        return float(low <= value < high)
    return NormalDist(value, u).cdf(high) - NormalDist(value, u).cdf(low)


Expectation = Mapping[str, str]  # state → word


@dataclass(frozen=True, slots=True)
class Release:
    """One release and what it is expected to show; ``prior`` is a relative weight.

    ``expect`` holds what is common to all releases too, unless the release says otherwise.
    """

    id: str
    label: str
    years: str = ""
    prior: float = 1.0
    note: str = ""
    expect: Mapping[str, Expectation] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Alteration:
    """Something that may have been done to a doll: a hypothesis that competes with the untouched releases.

    Attributes
    ----------
    bases
        Ids of the releases it may start from.
    heads
        For an exchanged head: the releases that the head may come from; empty otherwise.
    prior
        Probability, before looking, that a doll of one of the bases was altered in this way.
    expect
        What it changes; all else stays as the base release has it.
    passes_for
        The release it may be offered as, or empty.
    keeps_release
        False when the result is no longer one release (an exchanged head).
    """

    id: str
    label: str
    bases: tuple[str, ...]
    prior: float
    words: str
    heads: tuple[str, ...] = ()
    expect: Mapping[str, Expectation] = field(default_factory=dict)
    passes_for: str = ""
    keeps_release: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Traits that tend to go together. The most telling counts in full, each further one by ``share``."""

    id: str
    traits: tuple[str, ...]
    share: float = 0.4
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """The wording of a mark, line by line."""

    id: str
    label: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Guide:
    """A whole guide, checked.

    ``other_lines`` are texts that may stand elsewhere on the doll and say nothing about its mark.
    """

    id: str
    title: str
    about: str
    source: str
    traits: Mapping[str, TraitSpec]
    releases: Mapping[str, Release]
    alterations: Mapping[str, Alteration] = field(default_factory=dict)
    groups: tuple[Group, ...] = ()
    marks: Mapping[str, Mark] = field(default_factory=dict)
    other_lines: tuple[str, ...] = ()
    none_prior: float = 0.1
    none_label: str = "None of these"

    def label(self, release: str) -> str:
        """Return how to call a release."""
        return self.releases[release].label if release in self.releases else self.none_label

    def spoken_of(self) -> tuple[str, ...]:
        """Return the traits that at least one release or alteration speaks of, in declared order."""
        parts: list[Release | Alteration] = [*self.releases.values(), *self.alterations.values()]
        said = {trait for part in parts for trait in part.expect}
        return tuple(trait for trait in self.traits if trait in said)

    def source_of(self, release: str, trait: str) -> str:
        """Return where the rule on one trait of one release comes from."""
        own = self.releases[release].sources.get(trait) if release in self.releases else None
        return own or (self.traits[trait].source if trait in self.traits else "") or self.source


@dataclass(frozen=True, slots=True)
class ShippedGuide:
    """A guide that comes with the program."""

    id: str
    title: str
    about: str


def shipped() -> list[ShippedGuide]:
    """Return the guides that come with the program, by name."""
    folder = importlib.resources.files("pipelines") / "guides"
    names = sorted(item.name for item in folder.iterdir() if item.name.endswith(".toml"))
    guides = [load(name.removesuffix(".toml")) for name in names]
    return [ShippedGuide(guide.id, guide.title, guide.about) for guide in guides]


def load(name_or_path: str | Path) -> Guide:
    """Load a shipped guide by its name, or any guide by its path, and check it.

    Raises
    ------
    InputFileError
        When there is no such guide, or when it breaks a rule; names file, line and remedy.
    """
    name = str(name_or_path)
    names = _shipped_names()
    if name in names:
        resource = importlib.resources.files("pipelines") / "guides" / f"{name}.toml"
        return build(parse(resource.read_bytes(), f"{name}.toml"), name)
    path = Path(name)
    if not name.endswith(".toml") and "/" not in name and not _is_file(path):
        close = difflib.get_close_matches(name, names, n=1)
        hint = f' Did you mean "{close[0]}"?' if close else ""
        raise InputFileError(
            f'no guide "{name[:60]}".{hint} Shipped: {", ".join(names)}; or give a .toml file.'
        )
    return build(read(path), path.stem)


def build(file: TomlFile, guide_id: str) -> Guide:
    """Check a parsed guide and build it.

    Raises
    ------
    InputFileError
        On the first rule broken.
    """
    file.only((), _TOP_KEYS)
    for key, most in _MOST.items():
        if len(file.table((key,))) > most:
            file.fail((key,), f"more than {most} {key}", "Split the guide in two.")
    if (schema := file.text(("schema",), SCHEMA)) != SCHEMA:
        file.fail(("schema",), f'unknown schema "{schema[:40]}"', f'Write schema = "{SCHEMA}".')
    source = file.text(("source",))
    marks = _marks(file)
    traits = _traits(file, marks, source)
    releases = _releases(file, traits)
    return Guide(
        id=guide_id,
        title=file.text(("title",)),
        about=file.text(("about",), ""),
        source=source,
        traits=traits,
        releases=releases,
        alterations=_alterations(file, traits, releases),
        groups=_groups(file, traits),
        marks=marks,
        other_lines=file.texts(("other_lines",)),
        none_prior=file.number(("none_of_these", "prior"), 0.1, 0.001, 0.9),
        none_label=file.text(("none_of_these", "label"), "None of these"),
    )


_TOP_KEYS = (
    "schema",
    "title",
    "about",
    "source",
    "traits",
    "groups",
    "marks",
    "other_lines",
    "common",
    "releases",
    "alterations",
    "none_of_these",
)


def _marks(file: TomlFile) -> dict[str, Mark]:
    marks: dict[str, Mark] = {}
    for key in file.table(("marks",)):
        path = ("marks", key)
        file.table(path, required=True)
        file.only(path, ("label", "lines"))
        if key == UNLISTED:
            file.fail(path, f'"{UNLISTED}" is kept for marks that no guide lists', "Choose another id.")
        lines = file.texts((*path, "lines"))
        if not lines:
            file.fail(path, "a mark needs its lines", 'Write lines = ["FIRST LINE", "SECOND LINE"].')
        marks[key] = Mark(key, file.text((*path, "label"), key), lines)
    return marks


def _traits(file: TomlFile, marks: Mapping[str, Mark], source: str) -> dict[str, TraitSpec]:
    traits = dict(_PHOTO_TRAITS)
    if marks:
        states = [StateSpec(m.id, m.label) for m in marks.values()]
        states.append(StateSpec(UNLISTED, "a wording that the guide does not list"))
        traits[MARK_WORDING] = TraitSpec(
            MARK_WORDING, "wording of the mark", tuple(states), photo=True, where="body", source=source
        )
    for key in file.table(("traits",)):
        path = ("traits", key)
        file.table(path, required=True)
        if key in _RESERVED:
            file.fail(path, f'"{key}" is worked out from the mark', "List wordings under [marks] instead.")
        traits[key] = (
            _photo_override(file, path, traits[key]) if key in traits else _trait(file, path, source)
        )
    return traits


def _photo_override(file: TomlFile, path: KeyPath, spec: TraitSpec) -> TraitSpec:
    """A guide may rename a photo trait or say where it sits, but not change its states."""
    file.only(path, ("label", "question", "care", "where", "source"))
    return TraitSpec(
        spec.id,
        file.text((*path, "label"), spec.label),
        spec.states,
        question=file.text((*path, "question"), spec.question),
        care=file.text((*path, "care"), spec.care),
        photo=True,
        where=_where(file, path, spec.where),
        source=file.text((*path, "source"), spec.source),
    )


def _trait(file: TomlFile, path: KeyPath, source: str) -> TraitSpec:
    file.only(path, ("label", "question", "care", "where", "unit", "of", "states", "source"))
    unit = file.text((*path, "unit"), "")
    of = file.text((*path, "of"), "")
    if of and not (unit and of.partition(".")[0] in _PHOTO_TRAITS and of.partition(".")[2]):
        file.fail(
            (*path, "of"), f'"{of[:40]}" is no number of a photo trait',
            'Write of = "eyeliner_color.hue_deg" and unit = "deg".',
        )  # fmt: skip
    states = tuple(_state(file, (*path, "states", key), bool(unit)) for key in file.table((*path, "states")))
    if len(states) < 2:
        file.fail(
            path, "a trait needs at least two states", 'Write states = { one = "in words", other = "…" }.'
        )
    return TraitSpec(
        path[-1],
        file.text((*path, "label"), path[-1].replace("_", " ")),
        states,
        question="" if of else file.text((*path, "question")),
        care=file.text((*path, "care"), CARE),
        photo=bool(of),
        where=_where(file, path, ""),
        unit=unit,
        of=of,
        source=file.text((*path, "source"), source),
    )


def _state(file: TomlFile, path: KeyPath, measured: bool) -> StateSpec:
    if not measured:
        return StateSpec(path[-1], file.text(path))
    file.table(path, required=True)
    file.only(path, ("words", "from", "to"))
    low = file.number((*path, "from"), 0.0, 0.0, 1e9)
    high = file.number((*path, "to"), 1e9, 0.0, 1e9)
    if low >= high:
        file.fail(path, f"from = {low:g} is not below to = {high:g}", "Swap or correct them.")
    return StateSpec(path[-1], file.text((*path, "words")), low, high)


def _where(file: TomlFile, path: KeyPath, default: str) -> str:
    where = file.text((*path, "where"), default)
    if where not in PLACES:
        file.unknown((*path, "where"), "place", where, PLACES[:2])
    return where


def _releases(file: TomlFile, traits: Mapping[str, TraitSpec]) -> dict[str, Release]:
    file.only(("common",), ("expect",))
    common = _expect(file, ("common", "expect"), traits)
    releases: dict[str, Release] = {}
    for key in file.table(("releases",), required=True):
        path = ("releases", key)
        file.table(path, required=True)
        file.only(path, ("label", "years", "prior", "note", "expect", "sources"))
        sources = {}
        for trait in file.table((*path, "sources")):
            if trait not in traits:
                file.unknown((*path, "sources", trait), "trait", trait, traits)
            sources[trait] = file.text((*path, "sources", trait))
        releases[key] = Release(
            key,
            file.text((*path, "label")),
            years=file.text((*path, "years"), ""),
            prior=file.number((*path, "prior"), 1.0, 0.001, 1000.0),
            note=file.text((*path, "note"), ""),
            expect={**common, **_expect(file, (*path, "expect"), traits)},
            sources=sources,
        )
    if len(releases) < 2:
        file.fail(("releases",), "a guide needs at least two releases to tell apart", "Add [releases.<id>].")
    if "none" in releases:
        file.fail(("releases", "none"), '"none" is kept for "none of these"', "Choose another id.")
    return releases


def _expect(file: TomlFile, path: KeyPath, traits: Mapping[str, TraitSpec]) -> dict[str, Expectation]:
    expect: dict[str, Expectation] = {}
    for trait in file.table(path):
        if trait not in traits:
            file.unknown((*path, trait), "trait", trait, traits)
        states = file.table((*path, trait), required=True)
        if not states:
            file.fail((*path, trait), "nothing is expected", 'Write { state = "usually" } or leave it out.')
        words: dict[str, str] = {}
        for state in states:
            if state not in traits[trait].state_ids:
                file.unknown((*path, trait, state), f"state of {trait}", state, traits[trait].state_ids)
            word = file.text((*path, trait, state))
            if word not in WORDS:
                file.unknown((*path, trait, state), "word", word, WORDS)
            words[state] = word
        expect[trait] = words
    return expect


def _alterations(
    file: TomlFile, traits: Mapping[str, TraitSpec], releases: Mapping[str, Release]
) -> dict[str, Alteration]:
    out: dict[str, Alteration] = {}
    for key in file.table(("alterations",)):
        path = ("alterations", key)
        file.table(path, required=True)
        file.only(path, ("label", "from", "heads", "prior", "words", "expect", "passes_for", "note"))
        passes_for = file.text((*path, "passes_for"), "")
        if passes_for and passes_for not in releases:
            file.unknown((*path, "passes_for"), "release", passes_for, releases)
        heads = _release_list(file, (*path, "heads"), releases)
        expect = _expect(file, (*path, "expect"), traits)
        if not expect and not heads:
            file.fail(path, "an alteration must change something", "Add an expect table, or heads.")
        out[key] = Alteration(
            key,
            file.text((*path, "label")),
            bases=_release_list(file, (*path, "from"), releases) or tuple(releases),
            prior=file.number((*path, "prior"), 0.02, 0.0001, 0.5),
            words=file.text((*path, "words")),
            heads=heads,
            expect=expect,
            passes_for=passes_for,
            keeps_release=not heads,
            note=file.text((*path, "note"), ""),
        )
    return out


def _release_list(file: TomlFile, path: KeyPath, releases: Mapping[str, Release]) -> tuple[str, ...]:
    ids = file.texts(path)
    if ids == (ANY,):
        return tuple(releases)
    for release in ids:
        if release not in releases:
            file.unknown(path, "release", release, (*releases, ANY))
    return tuple(dict.fromkeys(ids))


def _groups(file: TomlFile, traits: Mapping[str, TraitSpec]) -> tuple[Group, ...]:
    groups: list[Group] = []
    grouped: dict[str, str] = {}
    for key in file.table(("groups",)):
        path = ("groups", key)
        file.table(path, required=True)
        file.only(path, ("traits", "share", "reason"))
        members = file.texts((*path, "traits"))
        for trait in members:
            if trait not in traits:
                file.unknown((*path, "traits"), "trait", trait, traits)
            if trait in grouped:
                file.fail(path, f'"{trait}" is already in group "{grouped[trait]}"', "Keep it in one group.")
            grouped[trait] = key
        groups.append(
            Group(
                key, members, file.number((*path, "share"), 0.4, 0.0, 1.0), file.text((*path, "reason"), "")
            )
        )
    return tuple(groups)


def _shipped_names() -> list[str]:
    folder = importlib.resources.files("pipelines") / "guides"
    return sorted(i.name.removesuffix(".toml") for i in folder.iterdir() if i.name.endswith(".toml"))


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _photo(trait: Trait, label: str, where: str, question: str, **words: str) -> tuple[str, TraitSpec]:
    states = tuple(StateSpec(state, words.get(state, state)) for state in STATES[trait])
    return str(trait), TraitSpec(
        str(trait), label, states, question, _PHOTO_CARE.get(trait, CARE), photo=True, where=where
    )


_PHOTO_CARE: Final[Mapping[Trait, str]] = {
    Trait.EYELINER_COLOR: "Only look, in daylight from a window: wipe nothing.",
    Trait.IRIS_COLOR: "Only look, in daylight from a window: wipe nothing.",
    Trait.LIP_PAINT: "Only look, through a magnifier and from the front: neither rub nor wet the paint.",
    Trait.SKIN_FADE: "Lift the clothes at one edge, and only if that is easy.",
    Trait.FOOT_HOLES: "Light from one side, and put nothing into the hole: its edge is the evidence.",
    Trait.MARK_TEXT: "A lamp held low at one side; rub no pencil and no powder into the letters.",
    Trait.MARK_SYMBOL: "A lamp held low at one side and a magnifier; rub nothing into the letters.",
    Trait.SKIN_SHEEN: "Nitrile gloves; look for the shine of a lamp, and do not wipe.",
    Trait.EAR_STAIN: "Nitrile gloves; leave earrings in where they stick, and try no treatment.",
    Trait.LIP_REPAINT_SIGNS: "Only look, through a magnifier in daylight: scrape and wipe nothing.",
    Trait.EYE_REPAINT_SIGNS: "Only look, through a magnifier in daylight: scrape and wipe nothing.",
    Trait.FEET_MATCH: "Light from one side, and put nothing into the holes: their edges are the evidence.",
}


_PHOTO_TRAITS: Final[Mapping[str, TraitSpec]] = dict(
    (
        _photo(
            Trait.EYELINER_COLOR,
            "eyeliner",
            "head",
            "Which color is the line painted along the upper lid, seen in daylight?",
            none="no eyeliner",
            other="another color",
        ),
        _photo(
            Trait.IRIS_COLOR,
            "irises",
            "head",
            "Are the irises painted in a color, or are the eyes only black and white?",
            unpainted="black and white only",
            other="another color",
        ),
        _photo(
            Trait.LIP_PAINT,
            "lip paint",
            "head",
            "Does the lip paint cover the molded lips, and does it stay inside them?",
            full="complete",
            rubbed="partly rubbed away",
            bare="gone",
            overpainted="painted beyond the molded lips",
        ),
        _photo(
            Trait.SKIN_FADE,
            "fading where clothes did not cover",
            "body",
            "Is the vinyl under the clothes darker or pinker than the vinyl beside them?",
            none="no difference under the clothes",
            faded="paler where clothes did not cover",
        ),
        _photo(
            Trait.FOOT_HOLES,
            "holes in the soles",
            "body",
            "Is there a hole in the sole of each foot? Is it molded round, lined with metal, or rough-edged?",
            none="no holes",
            open="open, molded holes",
            lined="holes lined with metal",
            drilled="holes whose edge looks cut after molding",
        ),
        _photo(
            Trait.MARK_TEXT,
            "molded mark",
            "body",
            "Is there a molded mark, and what does it say, line by line?",
            present="a molded mark",
            absent="no mark",
        ),
        _photo(
            Trait.MARK_SYMBOL,
            "sign beside the name in the mark",
            "body",
            "Which small sign stands beside the name: R in a circle, TM, or none?",
            registered="R in a circle",
            trademark="TM",
            none="no sign",
        ),
        _photo(
            Trait.SKIN_SHEEN,
            "sheen of the skin",
            "head",
            "Is the face greasy, and does the grease come back some days after it was wiped off?",
            matte="matte",
            greasy="greasy",
        ),
        _photo(
            Trait.EAR_STAIN,
            "stain at the ear",
            "head",
            "Is the vinyl green around the earring holes?",
            none="no green stain",
            green="green stain",
        ),
        _photo(
            Trait.LIP_REPAINT_SIGNS,
            "signs of renewed lip paint",
            "head",
            "Under a magnifier: has the lip paint an uneven edge, a second color, or scratches below it?",
            none="no sign seen",
            present="signs seen",
        ),
        _photo(
            Trait.EYE_REPAINT_SIGNS,
            "signs of renewed eye paint",
            "head",
            "Under a magnifier: are the lines and colors of both eyes alike, or do they look brushed?",
            none="no sign seen",
            present="signs seen",
        ),
        _photo(
            Trait.FEET_MATCH,
            "feet compared",
            "body",
            "Are the holes of both feet of one kind, one size and at the same place?",
            alike="both feet alike",
            differ="the feet differ",
        ),
    )
)
